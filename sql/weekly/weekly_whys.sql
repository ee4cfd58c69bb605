-- weekly_whys: one row per vehicle, site, outcome and reason in the weeks, with the stops.
-- Inputs: judged_stops. Parameters: week_ids (list), week_id (the edition's).
select
    vehicle_id,
    site_id,
    outcome,
    why,
    count(*) as stops_n,
    count(*) filter (where week_id = $week_id) as week_stops_n,
    list(stop_id order by plug_in_at) filter (where week_id = $week_id) as week_stop_ids
from judged_stops
where week_id in (select unnest($week_ids::varchar[]))
group by vehicle_id, site_id, outcome, why
order by vehicle_id, site_id, outcome, why
