-- driver_stop_rows: one row per stop of a driver, facts and minutes, as computed.
-- Input: judged_stops. Parameters: driver_id.
select *
from judged_stops
where driver_id = $driver_id
order by plug_in_at, stop_id
