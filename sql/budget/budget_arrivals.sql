-- budget_arrivals: one row per stop that shows how cold a pack arrives un-warmed.
-- Inputs: judged_stops. Parameters: zone, history_from_at, history_to_at (half-open).
-- Grades A and B only; where the pack was warmed, temperature and cold minutes are what they would
-- have been.
select
    vehicle_id,
    cast(plug_in_at at time zone $zone as date) as local_day,
    hour(plug_in_at at time zone $zone) as plug_in_hour,
    evidence_grade,
    ambient_degc as outside_degc,
    approach_min,
    unwarmed_cell_temp_min_degc as unwarmed_degc,
    unwarmed_cold_min
from judged_stops
where
    evidence_grade in ('A', 'B')
    and outcome != 'unknown'
    and ambient_degc is not null
    and approach_min is not null
    and unwarmed_cell_temp_min_degc is not null
    and plug_in_at >= $history_from_at
    and plug_in_at < $history_to_at
order by vehicle_id, plug_in_at
