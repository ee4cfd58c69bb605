-- billed_sites: one row per site of the fleet from which a bill with a sum ever came, by name or
-- by position. Inputs: reported_sessions, fleet_sites.
select distinct s.site_id
from reported_sessions as r
inner join fleet_sites as s
    on r.site_id = s.site_id
    or distance_m(r.latitude_deg, r.longitude_deg, s.latitude_deg, s.longitude_deg)
    <= s.radius_m
where r.total_cost is not null
