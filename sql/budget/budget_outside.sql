-- budget_outside: one row per local day with the outside temperature that driving vehicles met.
-- Inputs: samples. Parameters: zone, history_from_at, history_to_at (half-open).
-- Standing vehicles are left out: they may stand in a hall, and the sun shines on their sensors.
-- Each vehicle's hours count alike, however dense its samples.
with hours as (
    select
        vehicle_id,
        date_trunc('hour', sampled_at at time zone $zone) as local_hour,
        avg(ambient_degc) as outside_degc
    from samples
    where
        ambient_degc is not null
        and speed_kmh >= 5
        and sampled_at >= $history_from_at
        and sampled_at < $history_to_at
    group by vehicle_id, local_hour
)

select
    cast(local_hour as date) as local_day,
    median(outside_degc) as outside_degc
from hours
group by local_day
order by local_day
