-- advice_stops: one row per fast-charge stop of the weeks that advice rests on, with the site's
-- limit as rated or learned, and mean current squared of the drive with the heater off.
-- site_power_source is 'enough', without a power, where the site gave all that the vehicle takes.
-- Inputs: judged_stops, vehicle_settings, fleet_sites, fitted_sites. Parameters: week_ids
-- (list), fit_week_id.
select
    s.plug_in_at,
    v.model_id,
    s.site_id,
    coalesce(f.site_name, s.site_id) as site_name,
    s.soc_start_pct,
    s.energy_kwh,
    s.ambient_degc,
    s.lead_cell_temp_min_degc,
    s.approach_min,
    case
        when coalesce(s.warming_kwh, 0) = 0
            then s.lead_current2_a2s / nullif(60 * s.lead_min, 0)
        else s.unheated_current2_a2s / nullif(60 * s.warming_before_min, 0)
    end as drive_i2_a2,
    -- A learned level is a median of plateaus: no better than to the kilowatt.
    coalesce(s.site_power_kw, f.power_kw, round(l.power_kw)) as site_power_kw,
    case
        when s.site_power_kw is not null or f.power_kw is not null then 'rated'
        when l.power_kw is not null then 'learned'
        when s.lost_cold_min is not null then 'enough'
    end as site_power_source
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join fleet_sites as f on s.site_id = f.site_id
left join fitted_sites as l on s.site_id = l.site_id and l.fit_week_id = $fit_week_id
where s.week_id in (select unnest($week_ids::varchar[])) and v.model_id is not null
order by s.vehicle_id, s.plug_in_at
