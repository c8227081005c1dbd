-- What the bed did when it warmed up and cooled down, fitted: the next prediction begins from here.
create table heat_runs (
    id        integer primary key,
    line      text not null,
    way       text not null check (way in ('warm', 'cool')),
    cycle     integer references cycles (id) deferrable initially deferred,
    at        integer not null,
    material  text,
    fan       text,
    mass_g    real,
    start_c   real not null,
    end_c     real not null,
    ambient_c real not null,
    tau_s     real not null check (tau_s > 0),
    rms_k     real not null check (rms_k >= 0),
    samples   integer not null check (samples > 0)
) strict;

create index heat_runs_of_line on heat_runs (line, way, id);
