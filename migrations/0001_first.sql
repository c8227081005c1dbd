-- What the house keeps. The foreman is the only writer and gives every number; the database holds it to the rules.
--
-- Foreign keys are deferred: the changes of one commit may come in any order.

create table files (
    sha256 text primary key check (length(sha256) = 64 and sha256 not glob '*[^0-9a-f]*'),
    bytes  integer not null check (bytes >= 0),
    survey text not null check (json_valid(survey)),
    at     integer not null
) strict;

create table jobs (
    id         integer primary key check (id > 0),
    name       text not null,
    sha256     text not null references files (sha256) deferrable initially deferred,
    state      text not null check (state in ('pending', 'pending-held', 'processing', 'processing-stopped',
                                              'canceled', 'aborted', 'completed')),
    reason     text not null,
    note       text not null,
    copies     integer not null check (copies >= 1),
    completed  integer not null check (completed >= 0),
    scrapped   integer not null check (scrapped >= 0),
    in_work    integer not null check (in_work >= 0),
    rank       integer not null,
    line       text,
    material   text,
    release_c  real,
    reviewed   integer not null check (reviewed in (0, 1)),
    unchecked  integer not null check (unchecked >= 0),
    source_key text,
    restart_of integer references jobs (id) deferrable initially deferred,
    created_at integer not null,
    started_at integer,
    ended_at   integer,
    version    integer not null,
    check (copies >= completed + scrapped + in_work),
    check ((ended_at is not null) = (state in ('canceled', 'aborted', 'completed')))
) strict;

-- The folder's file becomes a job once, however often a crash makes the infeed ask again.
create unique index jobs_by_source on jobs (source_key) where source_key is not null;
create index jobs_by_restart on jobs (restart_of) where restart_of is not null;

-- The queue, and the history from its newest end; each also by state and by line, so that every list is read in its order.
create index jobs_open on jobs (rank, id) where ended_at is null;
create index jobs_open_by_state on jobs (state, rank, id) where ended_at is null;
create index jobs_open_by_line on jobs (line, rank, id) where ended_at is null;
create index jobs_ended on jobs (ended_at, id) where ended_at is not null;
create index jobs_ended_by_state on jobs (state, ended_at, id) where ended_at is not null;
create index jobs_ended_by_line on jobs (line, ended_at, id) where ended_at is not null;
create index jobs_ended_by_line_state on jobs (line, state, ended_at, id) where ended_at is not null;

create table cycles (
    id         integer primary key check (id > 0),
    job        integer not null references jobs (id) deferrable initially deferred,
    line       text not null,
    copy       integer not null check (copy >= 1),
    phase      text not null check (phase in ('warm', 'print', 'cool', 'advance', 'check')),
    outcome    text check (outcome in ('completed', 'scrapped', 'returned')),
    checked_by text check (checked_by in ('person', 'switch', 'command', 'nothing')),
    advance_um integer not null,
    started_at integer not null,
    ended_at   integer,
    note       text not null,
    check ((ended_at is not null) = (outcome is not null))
) strict;

create index cycles_of_job on cycles (job, id);
create index cycles_open on cycles (id) where ended_at is null;

create table lines (
    name            text primary key,
    state           text not null check (state in ('stopped', 'idle', 'execute', 'held', 'suspended', 'aborted')),
    reason          text not null,
    note            text not null,
    cycle           integer references cycles (id) deferrable initially deferred,
    belt_clear      integer not null check (belt_clear in (0, 1)),
    odometer_um     integer not null,
    uncertain_um    integer not null,
    open_step       text,
    hold_after_part integer not null check (hold_after_part in (0, 1))
) strict;

create table journal (
    seq   integer primary key,
    at    integer not null,
    line  text,
    job   integer,
    cycle integer,
    kind  text not null,
    text  text not null,
    data  text not null check (json_valid(data))
) strict;

create index journal_by_line on journal (line, seq) where line is not null;
create index journal_by_job on journal (job, seq) where job is not null;

-- Also keeps `insert or replace` from changing an entry, which no delete trigger would see.
create trigger journal_counts_up before insert on journal
when new.seq is not (select coalesce(max(seq), 0) + 1 from journal)
begin
    select raise(abort, 'the journal counts up from 1 without gaps');
end;

create trigger journal_is_not_changed before update on journal
begin
    select raise(abort, 'the journal is only ever added to');
end;

create trigger journal_is_not_deleted before delete on journal
begin
    select raise(abort, 'the journal is only ever added to');
end;

-- Totals are kept, not counted: a long history must not make a page slow.
create table job_totals (
    state     text primary key,
    jobs      integer not null default 0,
    copies    integer not null default 0,
    completed integer not null default 0,
    scrapped  integer not null default 0,
    unchecked integer not null default 0
) strict, without rowid;

create trigger jobs_counted after insert on jobs
begin
    insert into job_totals (state) values (new.state) on conflict do nothing;
    update job_totals
       set jobs = jobs + 1, copies = copies + new.copies, completed = completed + new.completed,
           scrapped = scrapped + new.scrapped, unchecked = unchecked + new.unchecked
     where state = new.state;
end;

create trigger jobs_recounted after update on jobs
when (old.state, old.copies, old.completed, old.scrapped, old.unchecked)
  is not (new.state, new.copies, new.completed, new.scrapped, new.unchecked)
begin
    update job_totals
       set jobs = jobs - 1, copies = copies - old.copies, completed = completed - old.completed,
           scrapped = scrapped - old.scrapped, unchecked = unchecked - old.unchecked
     where state = old.state;
    insert into job_totals (state) values (new.state) on conflict do nothing;
    update job_totals
       set jobs = jobs + 1, copies = copies + new.copies, completed = completed + new.completed,
           scrapped = scrapped + new.scrapped, unchecked = unchecked + new.unchecked
     where state = new.state;
end;

create trigger jobs_are_kept before delete on jobs
begin
    select raise(abort, 'jobs are kept');
end;

create table line_totals (
    line       text primary key,
    completed  integer not null default 0,
    scrapped   integer not null default 0,
    returned   integer not null default 0,
    unchecked  integer not null default 0,
    advance_um integer not null default 0
) strict, without rowid;

create trigger cycles_counted after insert on cycles
when new.outcome is not null
begin
    insert into line_totals (line) values (new.line) on conflict do nothing;
    update line_totals
       set completed = completed + (new.outcome = 'completed'), scrapped = scrapped + (new.outcome = 'scrapped'),
           returned = returned + (new.outcome = 'returned'), advance_um = advance_um + new.advance_um,
           unchecked = unchecked + (new.outcome = 'completed' and new.checked_by is 'nothing')
     where line = new.line;
end;

create trigger cycles_recounted after update on cycles
when (old.outcome, old.line, old.advance_um, old.checked_by)
  is not (new.outcome, new.line, new.advance_um, new.checked_by)
begin
    update line_totals
       set completed = completed - (old.outcome = 'completed'), scrapped = scrapped - (old.outcome = 'scrapped'),
           returned = returned - (old.outcome = 'returned'), advance_um = advance_um - old.advance_um,
           unchecked = unchecked - (old.outcome = 'completed' and old.checked_by is 'nothing')
     where line = old.line and old.outcome is not null;
    insert into line_totals (line) select new.line where new.outcome is not null on conflict do nothing;
    update line_totals
       set completed = completed + (new.outcome = 'completed'), scrapped = scrapped + (new.outcome = 'scrapped'),
           returned = returned + (new.outcome = 'returned'), advance_um = advance_um + new.advance_um,
           unchecked = unchecked + (new.outcome = 'completed' and new.checked_by is 'nothing')
     where line = new.line and new.outcome is not null;
end;

create trigger cycles_are_kept before delete on cycles
begin
    select raise(abort, 'cycles are kept');
end;
