-- charge_spans: one row per charge found in the samples, in order of time, with the span in
-- which its approach may lie.
-- Inputs: plugged_samples, plug_breaks. Parameters: approach_max_min.
-- A charge runs from the sample after one break to the sample before the next.
with ends as (
    select
        vehicle_id,
        max(sampled_at) as last_at,
        arg_max(odometer_km, sampled_at) as last_odometer_km
    from plugged_samples
    group by vehicle_id
),

spans as (
    select
        b.vehicle_id,
        b.next_at as plug_in_at,
        coalesce(lead(b.last_at) over per_vehicle, e.last_at) as plug_out_at,
        coalesce(lead(b.last_odometer_km) over per_vehicle, e.last_odometer_km)
        - b.next_odometer_km as moved_km
    from plug_breaks as b
    inner join ends as e on b.vehicle_id = e.vehicle_id
    where not b.is_one_charge
    window per_vehicle as (partition by b.vehicle_id order by b.next_at)
),

numbered as (
    select
        *,
        row_number() over (partition by vehicle_id order by plug_in_at) as charge_no
    from spans
    where plug_out_at > plug_in_at and coalesce(moved_km < 0.5, true)
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
from numbered
window per_vehicle as (partition by vehicle_id order by plug_in_at)
