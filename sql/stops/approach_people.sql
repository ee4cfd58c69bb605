-- approach_people: one row per charge with whoever had the vehicle on the approach. A change, a
-- gap or an overlap of different people within the approach leaves the driver null.
-- Inputs: approach_totals, charge_totals, driver_spans. Parameters: none.
-- A break is neither a use of the vehicle nor a change of driver: it belongs to whoever drove
-- before or after it, unless it names somebody else.
with spans as (
    select
        a.vehicle_id,
        a.charge_no,
        a.approach_start_at,
        t.plug_in_at,
        s.from_at,
        s.to_at,
        s.driver_id,
        s.use,
        coalesce(s.use = 'break', false) as is_break
    from approach_totals as a
    inner join charge_totals as t on a.vehicle_id = t.vehicle_id and a.charge_no = t.charge_no
    inner join driver_spans as s
        on a.vehicle_id = s.vehicle_id
        and t.plug_in_at >= s.from_at
        and a.approach_start_at < s.to_at
),

people as (
    select
        vehicle_id,
        charge_no,
        case
            when bool_and(is_break)
                then case when count(distinct driver_id) = 1 then any_value(driver_id) end
            when count(distinct coalesce(driver_id, '')) filter (where not is_break) = 1
                then any_value(driver_id) filter (where not is_break)
        end as driver_id
    from spans
    group by vehicle_id, charge_no
)

select
    s.vehicle_id,
    s.charge_no,
    case
        when
            min(s.from_at) filter (
                where not s.is_break or coalesce(s.driver_id = p.driver_id, true)
            ) <= any_value(s.approach_start_at)
            and max(s.to_at) filter (
                where not s.is_break or coalesce(s.driver_id = p.driver_id, true)
            ) > any_value(s.plug_in_at)
            then any_value(p.driver_id)
    end as driver_id,
    arg_max(s.use, s.from_at) filter (where not s.is_break) as span_use
from spans as s
inner join people as p on s.vehicle_id = p.vehicle_id and s.charge_no = p.charge_no
group by s.vehicle_id, s.charge_no
