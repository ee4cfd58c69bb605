-- vehicle_unanswered: one row per stop at which a vehicle did not respond, newest first, with what
-- its own export shows between the moment it could have begun to warm and plug-in. Instants are in
-- minutes before plug-in; a rental stop carries its local date and no time.
-- Inputs: judged_stops, vehicle_settings, fleet_sites, samples.
-- Parameters: week_ids (list), week_id, zone, lead_window_min.
with unanswered as (
    select
        *,
        greatest(
            destination_set_at,
            plug_in_at - to_microseconds((least($lead_window_min, approach_min) * 60e6)::bigint)
        ) as chance_from_at
    from judged_stops
    where
        week_id in (select unnest($week_ids::varchar[]))
        and why = 'vehicle_did_not_respond'
        and destination_set_at is not null
        and approach_min is not null
),

seen as (
    select
        u.stop_id,
        count(x.heater_power_kw) as heater_samples_n,
        max(x.heater_power_kw) as heater_max_kw,
        count(x.is_conditioning) as conditioning_samples_n,
        coalesce(bool_or(x.is_conditioning), false) as has_conditioning,
        arg_min(x.soc_pct, x.sampled_at) as chance_soc_pct,
        arg_min(x.cell_temp_min_degc, x.sampled_at) as chance_cell_temp_min_degc,
        avg(x.ambient_degc) as chance_ambient_degc
    from unanswered as u
    inner join samples as x
        on u.vehicle_id = x.vehicle_id
        and u.chance_from_at <= x.sampled_at
        and u.plug_in_at > x.sampled_at
    group by u.stop_id
)

select
    u.stop_id,
    u.vehicle_id,
    u.model_id,
    u.week_id = $week_id as is_edition,
    u.vehicle_use = 'rental' as is_rental,
    timezone($zone, u.plug_in_at)::date as plug_in_date,
    case when u.vehicle_use != 'rental' then timezone($zone, u.plug_in_at) end as plug_in_local,
    coalesce(f.site_name, u.site_id) as site_name,
    u.evidence_grade,
    epoch(u.plug_in_at - u.destination_set_at) / 60 as destination_set_before_min,
    u.chance_min,
    coalesce(s.chance_soc_pct, u.soc_start_pct) as chance_soc_pct,
    u.soc_start_pct,
    s.chance_cell_temp_min_degc,
    u.arrival_cell_temp_min_degc,
    coalesce(s.chance_ambient_degc, u.ambient_degc) as ambient_degc,
    s.heater_max_kw,
    s.heater_samples_n,
    s.conditioning_samples_n,
    s.has_conditioning,
    u.plug_heating_kwh,
    u.needed_min,
    u.reachable_degc,
    v.warm_threshold_degc,
    v.warming_cutoff_soc_pct,
    v.min_lead_min
from unanswered as u
inner join vehicle_settings as v on u.vehicle_id = v.vehicle_id
left join fleet_sites as f on u.site_id = f.site_id
left join seen as s on u.stop_id = s.stop_id
order by
    u.vehicle_id asc,
    u.week_id desc,
    plug_in_date desc,
    plug_in_local desc nulls last,
    u.stop_id asc
