-- Removes the scope's rows of approach_spells, which are about to be written anew.
delete from approach_spells as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
