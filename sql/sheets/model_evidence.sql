-- model_evidence: one row per vehicle model with what its card stands on: fast-charge stops and
-- vehicles in the weeks of the card, and what the warming that was seen came to.
-- Inputs: judged_stops, vehicle_settings. Parameters: week_ids (list).
select
    v.model_id,
    count(*) as stops_n,
    count(distinct s.vehicle_id) as vehicles_n,
    count(*) filter (where s.evidence_grade in ('A', 'B')) as rated_n,
    count(*) filter (where s.outcome = 'warmed') as warmed_n,
    count(*) filter (where s.outcome = 'part_warmed' and s.net_saved_min is not null)
        as part_warmed_n,
    avg(s.net_saved_min) filter (where s.outcome = 'part_warmed') as part_saved_min,
    median(s.approach_min) as approach_min,
    median(s.soc_start_pct) as soc_start_pct,
    median(s.energy_kwh) as energy_kwh,
    min(s.ambient_degc) as coldest_outside_degc
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
where v.model_id is not null and s.week_id in (select unnest($week_ids::varchar[]))
group by v.model_id
order by v.model_id
