-- How long prints took against what was worked out for them: the line's correction is learned from these.
create table print_runs (
    cycle     integer primary key references cycles (id) deferrable initially deferred,
    line      text not null,
    at        integer not null,
    planned_s real not null check (planned_s > 0),
    actual_s  real not null check (actual_s > 0)
) strict;

create index print_runs_of_line on print_runs (line, cycle);
