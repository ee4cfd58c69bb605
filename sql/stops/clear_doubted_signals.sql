-- Removes the scope's rows of doubted_signals, which are about to be written anew.
delete from doubted_signals as old
using scope as c
where old.vehicle_id = c.vehicle_id and old.week_id = c.week_id
