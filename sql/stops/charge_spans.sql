-- charge_spans: one row per charge found in the samples, in order of time, with the span in
-- which its approach may lie.
-- Inputs: plugged_samples, plug_breaks. Parameters: approach_max_min.
with marked as (
    select
        p.*,
        b.next_at is not null and not b.is_one_charge as is_after_break,
        lag(p.sampled_at) over per_vehicle is null as is_first
    from plugged_samples as p
    left join plug_breaks as b on p.vehicle_id = b.vehicle_id and p.sampled_at = b.next_at
    window per_vehicle as (partition by p.vehicle_id order by p.sampled_at)
),

numbered as (
    select
        *,
        count(*) filter (where is_first or is_after_break) over (
            partition by vehicle_id order by sampled_at
        ) as charge_no
    from marked
),

spans as (
    select
        vehicle_id,
        charge_no,
        min(sampled_at) as plug_in_at,
        max(sampled_at) as plug_out_at,
        max(odometer_km) - min(odometer_km) as moved_km
    from numbered
    group by vehicle_id, charge_no
    having max(sampled_at) > min(sampled_at)
)

select
    vehicle_id,
    charge_no,
    plug_in_at,
    plug_out_at,
    lag(plug_in_at) over per_vehicle as previous_plug_in_at,
    greatest(
        coalesce(
            lag(plug_out_at) over per_vehicle,
            plug_in_at - to_minutes($approach_max_min::int)
        ),
        plug_in_at - to_minutes($approach_max_min::int)
    ) as approach_from_at
from spans
where coalesce(moved_km < 0.5, true)
window per_vehicle as (partition by vehicle_id order by plug_in_at)
