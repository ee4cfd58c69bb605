-- plug_breaks: one row per pair of neighbouring plugged samples more than break_max_s apart,
-- with whether the pair still belongs to one charge: nobody moved the vehicle, its charge did
-- not fall, and the logger was silent all the while.
-- Inputs: plugged_samples, samples. Parameters: break_max_s, silence_max_s.
with neighbours as (
    select
        vehicle_id,
        sampled_at as next_at,
        lag(sampled_at) over per_vehicle as last_at,
        soc_pct - lag(soc_pct) over per_vehicle as soc_gain_pct,
        odometer_km - lag(odometer_km) over per_vehicle as moved_km
    from plugged_samples
    window per_vehicle as (partition by vehicle_id order by sampled_at)
),

breaks as (
    select
        *,
        epoch(next_at - last_at) <= $silence_max_s
        and coalesce(abs(moved_km) < 0.15, false)
        and coalesce(soc_gain_pct >= -0.5, false) as is_quiet
    from neighbours
    where last_at is not null and epoch(next_at - last_at) > $break_max_s
),

heard as (
    select distinct
        b.vehicle_id,
        b.next_at
    from breaks as b
    inner join samples as s
        on b.vehicle_id = s.vehicle_id
        and b.last_at < s.sampled_at
        and b.next_at > s.sampled_at
    where b.is_quiet
)

select
    b.vehicle_id,
    b.next_at,
    b.is_quiet and h.next_at is null as is_one_charge
from breaks as b
left join heard as h on b.vehicle_id = h.vehicle_id and b.next_at = h.next_at
