-- approach_starts: one row per charge, with the start of its approach: the driving and any
-- parked warming before plug-in, back to the last pause of parked_dwell_min or more in which
-- the vehicle neither drove nor warmed its battery (method, section 3).
-- Inputs: stop_samples, vehicle_settings, charge_spans.
-- Parameters: standing_max_kmh, heater_on_min_kw, parked_dwell_min, lead_window_min.
with busy as (
    select
        s.vehicle_id,
        s.charge_no,
        s.plug_in_at,
        s.sampled_at,
        lag(s.sampled_at) over (
            partition by s.vehicle_id, s.charge_no order by s.sampled_at
        ) as busy_before_at,
        s.plug_in_at - max(s.sampled_at) over (
            partition by s.vehicle_id, s.charge_no
        ) as pause_before_plug
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
),

starts as (
    select
        vehicle_id,
        charge_no,
        max(sampled_at) as approach_start_at
    from busy
    where
        pause_before_plug < to_minutes($parked_dwell_min::int)
        and (
            busy_before_at is null
            or sampled_at - busy_before_at >= to_minutes($parked_dwell_min::int)
        )
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
