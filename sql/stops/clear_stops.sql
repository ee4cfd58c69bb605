-- Removes the scope's rows of stops, which are about to be written anew or are done.
delete from stops as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
