-- cable_departures: one row per AC charge of a vehicle with a model: when it left the cable, and at
-- which site, which is the vehicle's default site where that is one for AC.
-- Inputs: charge_sessions, vehicle_settings, fleet_sites. Parameters: week_ids (list).
select
    v.model_id,
    coalesce(d.site_id, c.site_id) as site_id,
    c.plug_out_at
from charge_sessions as c
inner join vehicle_settings as v on c.vehicle_id = v.vehicle_id
left join fleet_sites as d on v.default_site_id = d.site_id and d.mode = 'ac'
where
    c.mode = 'ac'
    and c.week_id in (select unnest($week_ids::varchar[]))
    and v.model_id is not null
order by c.vehicle_id, c.plug_in_at
