-- weekly_clusters: one row per driver (per vehicle where no driver is known) with stops that needed
-- warming in the weeks: how far the stops of one go together.
-- Inputs: judged_stops. Parameters: week_ids (list).
select
    coalesce('driver ' || driver_id, 'vehicle ' || vehicle_id) as cluster_id,
    count(*) as needed_warming_n,
    count(*) filter (where outcome = 'warmed') as warmed_n,
    count(*) filter (where outcome in ('warmed', 'part_warmed')) as started_n
from judged_stops
where
    week_id in (select unnest($week_ids::varchar[]))
    and outcome in ('warmed', 'part_warmed', 'not_warmed')
group by cluster_id
order by cluster_id
