-- window_stops: one row per fast-charge stop of the weeks that a fit learns from, numbered in the
-- order of vehicle and time.
-- Inputs: stops, vehicle_settings, fleet_sites. Parameters: window_first_week_id,
-- window_last_week_id.
select
    s.* exclude (model_id, site_power_kw),
    v.model_id,
    v.usable_kwh,
    v.can_warm,
    v.warm_threshold_degc,
    v.warming_cutoff_soc_pct,
    v.min_lead_min,
    v.heater_power_kw,
    coalesce(s.site_power_kw, f.power_kw) as site_power_kw,
    row_number() over (order by s.vehicle_id, s.plug_in_at) - 1 as stop_no
from stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join fleet_sites as f on s.site_id = f.site_id
where s.week_id between $window_first_week_id and $window_last_week_id
order by stop_no
