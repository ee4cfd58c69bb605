-- plugged_samples: one row per sample at which the vehicle stands at the plug, as far as one
-- sample can tell (method, section 3).
-- Inputs: samples, scope. Parameters: plugged_min_kw, heater_on_min_kw, standing_max_kmh.
-- A heater that is fed while the pack gives nothing is fed by the plug.
with ranges as (
    select
        vehicle_id,
        min(read_from_at) as read_from_at,
        max(read_to_at) as read_to_at
    from scope
    group by vehicle_id
)

select
    s.vehicle_id,
    s.sampled_at,
    s.soc_pct,
    s.odometer_km
from samples as s
inner join ranges as r on s.vehicle_id = r.vehicle_id
where
    s.sampled_at >= (select min(read_from_at) from ranges)
    and s.sampled_at < (select max(read_to_at) from ranges)
    and s.sampled_at >= r.read_from_at
    and s.sampled_at < r.read_to_at
    and coalesce(abs(s.speed_kmh) < $standing_max_kmh, true)
    and (
        s.is_connected
        or s.pack_power_kw >= $plugged_min_kw
        or (s.heater_power_kw >= $heater_on_min_kw and s.pack_power_kw > -0.25)
    )
