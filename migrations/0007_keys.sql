-- Keys of those who do not sit at the daemon's own machine, by their SHA-256. A revoked one is kept, and stays revoked.
create table keys (
    id         integer primary key check (id > 0),
    name       text not null check (length(name) between 1 and 60),
    rights     text not null check (rights in ('watch', 'operate')),
    hash       text not null unique check (length(hash) = 64 and hash not glob '*[^0-9a-f]*'),
    made_at    integer not null,
    last_used  integer,
    revoked_at integer
) strict;

create trigger keys_stay_what_they_were before update on keys
when old.hash is not new.hash or old.rights is not new.rights
  or (old.revoked_at is not null and new.revoked_at is null)
begin
    select raise(abort, 'a key keeps its rights, and a revoked one stays revoked');
end;

create trigger keys_are_kept before delete on keys
begin
    select raise(abort, 'keys are kept');
end;
