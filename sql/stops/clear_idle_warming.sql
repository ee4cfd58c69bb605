-- Removes the scope's rows of idle_warming, which are about to be written anew.
delete from idle_warming as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
