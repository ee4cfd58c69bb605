-- weekly_idle: one row per vehicle and week with energy that warmed for nothing, standing or on no
-- approach.
-- Inputs: idle_warming. Parameters: week_ids (list).
select
    vehicle_id,
    week_id,
    sum(idle_warming_kwh) as idle_standing_kwh
from idle_warming
where week_id in (select unnest($week_ids::varchar[]))
group by vehicle_id, week_id
