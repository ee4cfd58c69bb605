-- stop_breaks: one row per stop with the minutes of its stay that lie inside recorded breaks.
-- Inputs: stops, driver_spans. Parameters: none.
-- Overlapping breaks count once. A break of the vehicle that names nobody counts for whoever is
-- at the stop; one that names somebody else than the stop's driver does not.
with parts as (
    select
        s.vehicle_id,
        s.plug_in_at,
        greatest(b.from_at, s.plug_in_at) as from_at,
        least(b.to_at, s.plug_out_at) as to_at
    from stops as s
    inner join driver_spans as b
        on s.vehicle_id = b.vehicle_id
        and s.plug_in_at < b.to_at
        and s.plug_out_at > b.from_at
        and coalesce(s.driver_id = b.driver_id, true)
    where b.use = 'break'
),

ordered as (
    select
        vehicle_id,
        plug_in_at,
        from_at,
        to_at,
        max(to_at) over (
            partition by vehicle_id, plug_in_at
            order by from_at, to_at
            rows between unbounded preceding and 1 preceding
        ) as covered_to_at
    from parts
),

sums as (
    select
        vehicle_id,
        plug_in_at,
        sum(
            case
                when covered_to_at is null or covered_to_at <= from_at
                    then epoch(to_at - from_at)
                when covered_to_at < to_at then epoch(to_at - covered_to_at)
                else 0
            end
        ) / 60 as break_min
    from ordered
    group by vehicle_id, plug_in_at
)

select
    s.vehicle_id,
    s.plug_in_at,
    coalesce(b.break_min, 0) as break_min
from stops as s
left join sums as b on s.vehicle_id = b.vehicle_id and s.plug_in_at = b.plug_in_at
