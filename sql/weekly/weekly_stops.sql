-- weekly_stops: one row per DC stop of the week, with names for print. A rental stop carries its
-- local date and no time.
-- Inputs: judged_stops, vehicle_settings, fleet_sites, driver_labels. Parameters: week_id, zone.
select
    s.*,
    v.vehicle_name,
    v.model_name,
    coalesce(f.site_name, s.site_id) as site_name,
    d.driver_label,
    timezone($zone, s.plug_in_at)::date as plug_in_date,
    case when s.vehicle_use != 'rental' then timezone($zone, s.plug_in_at) end as plug_in_local,
    epoch(s.plug_out_at - s.plug_in_at) / 60 as stay_min,
    s.arrival_cell_temp_min_degc < v.warm_threshold_degc - v.warm_tolerance_kelvin
        as is_cold_arrival
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join fleet_sites as f on s.site_id = f.site_id
left join driver_labels as d on s.driver_id = d.driver_id
where s.week_id = $week_id
order by s.vehicle_id, s.plug_in_at
