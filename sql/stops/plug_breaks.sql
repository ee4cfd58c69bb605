-- plug_breaks: one row per pair of neighbouring plugged samples more than break_max_s apart, and
-- one per vehicle for its first plugged sample (last_at null); with whether the pair still
-- belongs to one charge: nobody moved or unplugged the vehicle, its charge did not fall, and what
-- exceeds break_max_s is the logger's silence.
-- Inputs: plugged_samples, samples. Parameters: break_max_s, silence_max_s, gap_min_s,
-- standing_max_kmh.
-- Neighbours are sought among the first and last samples of each minute: a pause of more than a
-- minute lies between those, and there are few of them.
with minutes as (
    select
        vehicle_id,
        min(sampled_at) as first_at,
        max(sampled_at) as last_at,
        arg_min(odometer_km, sampled_at) as first_odometer_km,
        arg_max(odometer_km, sampled_at) as last_odometer_km,
        arg_min(soc_pct, sampled_at) as first_soc_pct,
        arg_max(soc_pct, sampled_at) as last_soc_pct
    from plugged_samples
    group by vehicle_id, epoch_ms(sampled_at) // 60000
),

neighbours as (
    select
        vehicle_id,
        first_at as next_at,
        first_odometer_km as next_odometer_km,
        first_soc_pct as next_soc_pct,
        lag(last_at) over per_vehicle as last_at,
        lag(last_odometer_km) over per_vehicle as last_odometer_km,
        lag(last_soc_pct) over per_vehicle as last_soc_pct
    from minutes
    window per_vehicle as (partition by vehicle_id order by first_at)
),

breaks as (
    select
        *,
        epoch(next_at - last_at) <= $silence_max_s
        and coalesce(abs(next_odometer_km - last_odometer_km) < 0.15, false)
        and coalesce(next_soc_pct - last_soc_pct >= -0.5, false) as is_quiet
    from neighbours
    where last_at is null or epoch(next_at - last_at) > $break_max_s
),

heard as (
    select
        b.vehicle_id,
        b.next_at,
        s.speed_kmh,
        s.is_connected,
        epoch(s.sampled_at - lag(s.sampled_at) over (
            partition by b.vehicle_id, b.next_at order by s.sampled_at
        )) as step_s
    from breaks as b
    inner join samples as s
        on
        b.vehicle_id = s.vehicle_id
        and b.last_at <= s.sampled_at
        and b.next_at >= s.sampled_at
    where b.is_quiet
),

judged as (
    select
        vehicle_id,
        next_at,
        coalesce(sum(step_s) filter (where step_s <= $gap_min_s), 0) as awake_s,
        coalesce(bool_or(abs(speed_kmh) >= $standing_max_kmh), false) as is_moved,
        coalesce(bool_or(not is_connected), false) as is_unplugged
    from heard
    group by vehicle_id, next_at
)

select
    b.vehicle_id,
    b.last_at,
    b.next_at,
    b.last_odometer_km,
    b.next_odometer_km,
    coalesce(b.is_quiet, false)
    and coalesce(
        j.awake_s <= $break_max_s and not j.is_moved and not j.is_unplugged, true
    ) as is_one_charge
from breaks as b
left join judged as j on b.vehicle_id = j.vehicle_id and b.next_at = j.next_at
