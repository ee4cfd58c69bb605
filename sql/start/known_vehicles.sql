-- known_vehicles: one row per vehicle that any export names.
-- Inputs: samples, reported_sessions. Parameters: none.
select vehicle_id
from samples
union
select vehicle_id
from reported_sessions
where vehicle_id is not null
order by vehicle_id
