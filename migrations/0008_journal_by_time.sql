-- A day of the journal is found without reading those before it.
create index journal_by_time on journal (at);
