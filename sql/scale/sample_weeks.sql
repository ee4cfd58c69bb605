-- sample_weeks: one row per vehicle and local week that has samples, with how many.
-- Inputs: samples. Parameters: zone, vehicle_ids (list), from_at, to_at.
select
    vehicle_id,
    strftime(timezone($zone, sampled_at), '%G-W%V') as week_id,
    count(*)::bigint as rows_n
from samples
where
    list_contains($vehicle_ids, vehicle_id)
    and sampled_at >= $from_at
    and sampled_at < $to_at
group by vehicle_id, week_id
order by vehicle_id, week_id
