-- approach_people: one row per charge with whoever had the vehicle on the approach. A change, a
-- gap or an overlap of different people within the approach leaves the driver null.
-- Inputs: approach_totals, charge_totals, driver_spans. Parameters: none.
with spans as (
    select
        a.vehicle_id,
        a.charge_no,
        a.approach_start_at,
        t.plug_in_at,
        s.from_at,
        s.to_at,
        s.driver_id,
        s.use
    from approach_totals as a
    inner join charge_totals as t on a.vehicle_id = t.vehicle_id and a.charge_no = t.charge_no
    inner join driver_spans as s
        on a.vehicle_id = s.vehicle_id
        and t.plug_in_at >= s.from_at
        and a.approach_start_at < s.to_at
)

select
    vehicle_id,
    charge_no,
    case
        when
            count(distinct coalesce(driver_id, '')) = 1
            and min(from_at) <= any_value(approach_start_at)
            and max(to_at) > any_value(plug_in_at)
            then any_value(driver_id)
    end as driver_id,
    arg_max(use, from_at) as span_use
from spans
group by vehicle_id, charge_no
