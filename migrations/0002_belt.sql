-- What is known of the belt, as JSON: loop, splice, flaws, parts on it, wear. Kept with the step that changed it.
alter table lines add column belt text check (belt is null or json_valid(belt));
