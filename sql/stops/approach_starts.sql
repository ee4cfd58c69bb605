-- approach_starts: one row per charge, with the start of its approach: the driving and any
-- parked warming before plug-in, back to the last pause of parked_dwell_min or more in which
-- the vehicle neither drove nor warmed its battery (method, section 3).
-- Inputs: stop_samples, vehicle_settings, charge_spans.
-- Parameters: standing_max_kmh, heater_on_min_kw, parked_dwell_min, lead_window_min.
-- Pauses are sought between the first and last busy samples of each five minutes: a pause of
-- half an hour lies between those, and there are few of them.
with busy as (
    select
        s.vehicle_id,
        s.charge_no,
        s.plug_in_at,
        min(s.sampled_at) as first_at,
        max(s.sampled_at) as last_at
    from stop_samples as s
    inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
    where
        not s.is_at_plug
        and (
            coalesce(abs(s.speed_kmh) >= $standing_max_kmh, s.pack_power_kw < -2, false)
            or coalesce(
                s.heater_power_kw >= $heater_on_min_kw,
                s.is_conditioning and s.cell_temp_min_degc < v.warm_threshold_degc,
                false
            )
        )
    group by s.vehicle_id, s.charge_no, s.plug_in_at, epoch_ms(s.sampled_at) // 300000
),

paused as (
    select
        vehicle_id,
        charge_no,
        first_at,
        first_at - lag(last_at) over per_charge as pause_before,
        plug_in_at - max(last_at) over (partition by vehicle_id, charge_no) as pause_at_plug
    from busy
    window per_charge as (partition by vehicle_id, charge_no order by first_at)
),

starts as (
    select
        vehicle_id,
        charge_no,
        max(first_at) as approach_start_at
    from paused
    where
        pause_at_plug < to_minutes($parked_dwell_min::int)
        and coalesce(pause_before >= to_minutes($parked_dwell_min::int), true)
    group by vehicle_id, charge_no
)

select
    c.vehicle_id,
    c.charge_no,
    c.plug_in_at,
    coalesce(s.approach_start_at, c.plug_in_at) as approach_start_at,
    greatest(
        coalesce(s.approach_start_at, c.plug_in_at),
        c.plug_in_at - to_seconds($lead_window_min * 60)
    ) as lead_start_at
from charge_spans as c
left join starts as s on c.vehicle_id = s.vehicle_id and c.charge_no = s.charge_no
