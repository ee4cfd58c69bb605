-- stop_sheet_facts: one row per stop asked for, with what its sheet says of it. Instants are told
-- in minutes before plug-in; a rental stop carries its local date and no time.
-- Inputs: judged_stops, vehicle_settings, fleet_sites, fitted_vehicles, fitted_sites,
-- doubted_signals. Parameters: stop_ids (list), zone.
-- The columns plug_in_at and plug_out_at serve further statements and are never printed.
with doubts as (
    select distinct
        vehicle_id,
        week_id
    from doubted_signals
    where signal = 'cell_temp_min_degc'
)

select
    s.*,
    v.vehicle_name,
    v.model_name,
    v.warm_threshold_degc,
    v.warm_tolerance_kelvin,
    v.warming_cutoff_soc_pct,
    v.min_lead_min,
    coalesce(f.site_name, s.site_id) as site_name,
    coalesce(s.site_power_kw, l.power_kw) as limit_kw,
    coalesce(c.curve_scale, 1) as curve_scale,
    d.vehicle_id is not null as is_cell_temp_doubted,
    timezone($zone, s.plug_in_at)::date as plug_in_date,
    case when s.vehicle_use != 'rental' then timezone($zone, s.plug_in_at) end as plug_in_local,
    epoch(s.plug_in_at - s.destination_set_at) / 60 as destination_set_before_min,
    epoch(s.plug_in_at - s.warming_began_at) / 60 as warming_began_before_min,
    epoch(s.plug_in_at - s.warming_ended_at) / 60 as warming_ended_before_min
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join fleet_sites as f on s.site_id = f.site_id
left join fitted_sites as l
    on s.site_id = l.site_id and s.fit_week_id = l.fit_week_id and s.is_site_learned
left join fitted_vehicles as c on s.vehicle_id = c.vehicle_id and s.fit_week_id = c.fit_week_id
left join doubts as d on s.vehicle_id = d.vehicle_id and s.week_id = d.week_id
where s.stop_id in (select unnest($stop_ids::varchar[]))
order by s.stop_id
