-- weekly_power: one row per stop known by start, end and energy alone (grades D and E) of the year
-- that ends with the edition's week, with the outside temperature of its day as the fleet's other
-- stops measured it.
-- Inputs: judged_stops, vehicle_settings. Parameters: week_id, first_week_id, zone.
-- Average power over the stay says nothing of causes; held against the same vehicle or site in
-- mild weather it says at most that something was slower.
with days as (
    select
        timezone($zone, plug_in_at)::date as plug_in_date,
        avg(ambient_degc) as day_degc
    from judged_stops
    where ambient_degc is not null and week_id between $first_week_id and $week_id
    group by timezone($zone, plug_in_at)::date
)

select
    s.vehicle_id,
    v.vehicle_name,
    coalesce(s.site_id, '') as site_key,
    s.week_id = $week_id as is_now,
    s.energy_kwh,
    s.stay_min / 60 as stay_h,
    coalesce(s.ambient_degc, d.day_degc) as day_degc
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join days as d on timezone($zone, s.plug_in_at)::date = d.plug_in_date
where
    s.week_id between $first_week_id and $week_id
    and s.evidence_grade in ('D', 'E')
    and s.energy_kwh > 0
    and s.stay_min > 0
order by s.vehicle_id, s.plug_in_at
