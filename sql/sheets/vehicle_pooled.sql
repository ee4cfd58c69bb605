-- vehicle_pooled: one row per vehicle, and one for the whole fleet (vehicle_id null), over all the
-- weeks together: the stops that needed warming and what became of them.
-- Inputs: judged_stops. Parameters: week_ids (list).
select
    vehicle_id,
    count(*) filter (where evidence_grade in ('A', 'B')) as rated_n,
    count(*) filter (where outcome in ('warmed', 'part_warmed', 'not_warmed')) as needed_warming_n,
    count(distinct coalesce('driver ' || driver_id, 'vehicle ' || vehicle_id)) filter (
        where outcome in ('warmed', 'part_warmed', 'not_warmed')
    ) as clusters_n,
    count(*) filter (where outcome = 'warmed') as warmed_n,
    count(*) filter (where outcome = 'part_warmed') as part_warmed_n
from judged_stops
where week_id in (select unnest($week_ids::varchar[]))
group by grouping sets ((), (vehicle_id))
order by vehicle_id nulls first
