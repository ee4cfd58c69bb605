-- unseen_starts: one row per charge of which the logger missed a part of the lead window: the
-- vehicle had moved, or was already at speed, when the first sample of the approach came. An
-- approach that begins where it may at the earliest was cut there, not missed.
-- Inputs: stop_samples, approach_starts, charge_spans. Parameters: none.
with short as (
    select
        a.vehicle_id,
        a.charge_no,
        a.approach_start_at,
        c.approach_from_at
    from approach_starts as a
    inner join charge_spans as c on a.vehicle_id = c.vehicle_id and a.charge_no = c.charge_no
    where a.approach_start_at = a.lead_start_at
),

starts as (
    select
        a.vehicle_id,
        a.charge_no,
        a.approach_start_at,
        a.approach_from_at,
        max(s.sampled_at) filter (where s.sampled_at < a.approach_start_at) as before_at,
        arg_max(s.odometer_km, s.sampled_at) filter (where s.sampled_at < a.approach_start_at)
            as before_odometer_km,
        any_value(s.odometer_km) filter (where s.sampled_at = a.approach_start_at)
            as start_odometer_km,
        any_value(s.speed_kmh) filter (where s.sampled_at = a.approach_start_at)
            as start_speed_kmh,
        any_value(s.max_gap_s) as max_gap_s
    from short as a
    inner join stop_samples as s on a.vehicle_id = s.vehicle_id and a.charge_no = s.charge_no
    where s.sampled_at <= a.approach_start_at
    group by a.vehicle_id, a.charge_no, a.approach_start_at, a.approach_from_at
)

select
    vehicle_id,
    charge_no
from starts
where
    epoch(approach_start_at - approach_from_at) > max_gap_s
    and coalesce(epoch(approach_start_at - before_at) > max_gap_s, true)
    and coalesce(start_odometer_km - before_odometer_km > 0.5, start_speed_kmh > 10, false)
