-- budget_stops: one row per fast-charge stop with what such a stop is like, temperatures apart.
-- Inputs: judged_stops, vehicle_settings, fleet_sites, fitted_sites.
-- Parameters: zone, fit_week_id, history_from_at, history_to_at (half-open).
-- A null power means that the site was not seen to limit. Fees by the minute are those that the
-- cold minutes of the stop cost; below a minute they say nothing and are null.
select
    s.vehicle_id,
    v.model_id,
    cast(s.plug_in_at at time zone $zone as date) as local_day,
    hour(s.plug_in_at at time zone $zone) as plug_in_hour,
    coalesce(s.site_power_kw, f.power_kw, l.power_kw) as site_power_kw,
    s.soc_start_pct,
    s.energy_kwh,
    s.lead_min,
    case
        when s.lead_above_cutoff_min is null then s.lead_min
        else least(s.lead_min, s.lead_above_cutoff_min)
    end as able_min,
    s.approach_min,
    case
        when coalesce(s.warming_kwh, 0) = 0
            then s.lead_current2_a2s / nullif(60 * s.lead_min, 0)
        else s.unheated_current2_a2s / nullif(60 * s.warming_before_min, 0)
    end as drive_i2_a2,
    s.idle_min,
    s.break_min,
    s.warming_price_per_kwh as price_per_kwh,
    case when s.lost_cold_min >= 1 then s.cold_fees / s.lost_cold_min end as fee_per_min
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join fleet_sites as f on s.site_id = f.site_id
left join fitted_sites as l on s.site_id = l.site_id and l.fit_week_id = $fit_week_id
where
    v.model_id is not null
    and s.soc_start_pct is not null
    and s.energy_kwh > 0
    and s.approach_min is not null
    and s.plug_in_at >= $history_from_at
    and s.plug_in_at < $history_to_at
order by s.vehicle_id, s.plug_in_at
