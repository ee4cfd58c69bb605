-- Removes the scope's rows of charge_steps, which are about to be written anew.
delete from charge_steps as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
