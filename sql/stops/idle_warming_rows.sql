-- idle_warming_rows: one row per vehicle and local day of the scope's week with the energy of its
-- battery heater that warmed for nothing (method, section 4): on no approach to a charge, not at
-- the plug, not within the hour before a departure. What was warmed on an approach though it was
-- warm already is counted by its stop.
-- Inputs: samples, scope, charge_spans, approach_starts, files. Parameters: zone,
-- heater_on_min_kw, standing_max_kmh, departure_min.
-- Only a heater whose power is exported is counted; a conditioning state may mean cooling.
with heating as (
    select
        s.vehicle_id,
        c.week_id,
        s.sampled_at,
        s.heater_power_kw,
        abs(coalesce(s.speed_kmh, 0)) < $standing_max_kmh as is_standing,
        coalesce(f.median_interval_s, 60) as interval_s
    from samples as s
    inner join scope as c
        on s.vehicle_id = c.vehicle_id
        and s.sampled_at >= c.from_at
        and s.sampled_at < c.to_at
    left join files as f on s.file_id = f.file_id
    where
        s.heater_power_kw >= $heater_on_min_kw
        and not coalesce(s.is_connected, false)
        and coalesce(s.charge_mode, '') not in ('ac', 'dc')
),

stays as (
    select
        c.vehicle_id,
        coalesce(a.approach_start_at, c.plug_in_at) as from_at,
        c.plug_out_at as to_at
    from charge_spans as c
    left join approach_starts as a on c.vehicle_id = a.vehicle_id and c.charge_no = a.charge_no
),

elsewhere as (
    select h.*
    from heating as h
    anti join stays as t
        on h.vehicle_id = t.vehicle_id
        and h.sampled_at >= t.from_at
        and h.sampled_at <= t.to_at
),

moves as (
    select
        s.vehicle_id,
        s.sampled_at as moved_at
    from samples as s
    inner join scope as c
        on s.vehicle_id = c.vehicle_id
        and s.sampled_at >= c.from_at
        and s.sampled_at < c.to_at + interval 2 hour
    where
        abs(s.speed_kmh) >= $standing_max_kmh
        and exists (select 1 from elsewhere as e where e.vehicle_id = s.vehicle_id)
),

followed as (
    select
        e.*,
        m.moved_at
    from elsewhere as e
    asof left join moves as m on e.vehicle_id = m.vehicle_id and e.sampled_at <= m.moved_at
),

steps as (
    select
        *,
        least(
            coalesce(
                epoch(
                    lead(sampled_at) over (partition by vehicle_id order by sampled_at) - sampled_at
                ),
                interval_s
            ),
            interval_s
        ) as step_s
    from followed
    where not is_standing or moved_at is null or epoch(moved_at - sampled_at) > $departure_min * 60
)

select
    vehicle_id,
    any_value(week_id) as week_id,
    min(sampled_at) as warmed_at,
    sum(heater_power_kw * step_s) / 3600 as idle_warming_kwh
from steps
group by vehicle_id, timezone($zone, sampled_at)::date
having sum(heater_power_kw * step_s) / 3600 >= 0.05
