-- Removes the scope's rows of charge_sessions, which are about to be written anew or are done.
delete from charge_sessions as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
