-- Removes the scope's rows of thermal_stretches, which are about to be written anew.
delete from thermal_stretches as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
