-- weekly_changes: one row per stop of the weeks with its cold minutes, as they were and had nobody
-- warmed: what a change against earlier weeks is split from.
-- Inputs: judged_stops. Parameters: week_ids (list), week_id (the edition's).
select
    week_id,
    week_id = $week_id as is_now,
    vehicle_id,
    site_id,
    driver_id,
    lost_cold_min,
    unwarmed_cold_min
from judged_stops
where
    week_id in (select unnest($week_ids::varchar[]))
    and lost_cold_min is not null
    and unwarmed_cold_min is not null
order by vehicle_id, plug_in_at
