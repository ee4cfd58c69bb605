-- unseen_starts: one row per charge of which the logger missed a part of the lead window: the
-- vehicle had moved, or was already at speed, when the first sample of the approach came. An
-- approach that begins where it may at the earliest was cut there, not missed.
-- Inputs: stop_samples, approach_starts, charge_spans. Parameters: none.
with steps as (
    select
        vehicle_id,
        charge_no,
        sampled_at,
        speed_kmh,
        max_gap_s,
        epoch(sampled_at - lag(sampled_at) over per_stop) as step_s,
        odometer_km - lag(odometer_km) over per_stop as moved_km
    from stop_samples
    window per_stop as (partition by vehicle_id, charge_no order by sampled_at)
)

select
    a.vehicle_id,
    a.charge_no
from approach_starts as a
inner join steps as s
    on a.vehicle_id = s.vehicle_id
    and a.charge_no = s.charge_no
    and a.approach_start_at = s.sampled_at
inner join charge_spans as c
    on
    a.vehicle_id = c.vehicle_id
    and a.charge_no = c.charge_no
where
    a.approach_start_at = a.lead_start_at
    and epoch(a.approach_start_at - c.approach_from_at) > s.max_gap_s
    and coalesce(s.step_s > s.max_gap_s, true)
    and coalesce(s.moved_km > 0.5, s.speed_kmh > 10, false)
