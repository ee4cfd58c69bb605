-- vehicle_peers: one row per vehicle, with its model: at how many stops a charging place was set in
-- good time, with charge to warm, on a battery cold enough to need it, and at how many of these
-- warming began. What vehicles of the same model do is what may be expected of one.
-- Inputs: judged_stops, vehicle_settings. Parameters: week_ids (list), approach_short_min.
select
    s.vehicle_id,
    s.model_id,
    count(*) as asked_n,
    count(*) filter (where s.outcome in ('warmed', 'part_warmed')) as answered_n
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
where
    s.week_id in (select unnest($week_ids::varchar[]))
    and s.evidence_grade in ('A', 'B')
    and s.is_charging_place
    and s.chance_min >= v.min_lead_min
    and s.approach_min >= $approach_short_min
    and s.outcome in ('warmed', 'part_warmed', 'not_warmed')
group by s.vehicle_id, s.model_id
order by s.vehicle_id
