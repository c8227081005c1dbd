-- Alarms of a line that are not normal, as JSON: what each is about, where it is, and its figures.
alter table lines add column alarms text check (alarms is null or json_valid(alarms));
