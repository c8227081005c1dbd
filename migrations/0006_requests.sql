-- What a job was before a person canceled it: it comes back as that.
alter table jobs add column canceled_from text;

-- Of those that were canceled earlier nobody knows; without a hold is the likelier one.
update jobs set canceled_from = 'job-queued' where state = 'canceled' or reason = 'processing-to-stop-point';

-- Finished copies that a person called scrap later, and the job that makes each again: their own while it goes on.
create table remakes (
    cycle integer primary key references cycles (id) deferrable initially deferred,
    job   integer not null references jobs (id) deferrable initially deferred
) strict;

create index remakes_by_job on remakes (job);

-- Requests that bore a key and were done, so that the same one sent again is not done again. Kept with what they did.
create table requests (
    id    integer primary key,
    key   text not null unique check (length(key) between 1 and 255),
    print text not null check (length(print) = 64),
    job   integer,
    line  text,
    at    integer not null
) strict;

create index requests_by_age on requests (at);

-- A day and ten thousand: whoever repeats a request does it within minutes.
create trigger requests_are_pruned before insert on requests
begin
    delete from requests where at <= new.at - 86400000;
    delete from requests where id <= (select max(id) from requests) - 9999;
end;
