-- stop_rows: one row per DC stop of the scope, in the columns of table stops: those seen in the
-- samples and those known from summaries only.
-- Inputs: stop_outcomes, reported_stops, vehicle_settings, vehicle_economy. Parameters: zone.
-- Of a driver who was forgotten only the word 'forgotten' is left, and no stop carries it.
with seen as (
    select
        o.vehicle_id,
        v.model_id,
        case when o.vehicle_use != 'rental' then nullif(o.driver_id, 'forgotten') end as driver_id,
        o.site_id,
        o.vehicle_use,
        o.week_id,
        o.plug_in_at,
        o.plug_out_at,
        o.evidence_grade,
        o.outcome,
        o.why,
        o.soc_start_pct,
        o.soc_end_pct,
        o.energy_kwh,
        o.power_max_kw,
        o.active_min,
        o.held_min,
        o.idle_min,
        o.missing_min,
        o.arrival_cell_temp_min_degc,
        o.unwarmed_cell_temp_min_degc,
        o.ambient_degc,
        o.approach_min,
        o.approach_missing_min,
        case when o.has_heater_signal then coalesce(o.warming_min, 0) end as warming_min,
        case when o.has_heater_signal then coalesce(o.warming_kwh, 0) end as warming_kwh,
        o.is_warming_kwh_estimated,
        o.warming_began_at,
        o.warming_ended_at,
        o.plug_heating_kwh,
        o.destination_set_at,
        o.destination_kind = 'charging_place' as is_charging_place,
        o.site_power_kw,
        false as is_reported_only,
        o.has_power,
        o.warm_from_degc,
        o.is_approach_covered,
        o.not_warmed_outcome,
        o.not_warmed_why,
        o.lead_min,
        o.lead_cell_temp_min_degc,
        o.lead_current2_a2s,
        o.lead_above_cutoff_min,
        o.chance_min,
        epoch(o.plug_in_at - o.warming_began_at) / 60 as warming_before_min,
        o.warming_current2_a2s,
        o.unheated_current2_a2s,
        o.first_file_id,
        o.first_file_row,
        o.last_file_row
    from stop_outcomes as o
    inner join vehicle_settings as v on o.vehicle_id = v.vehicle_id
),

reported as (
    select
        r.vehicle_id,
        v.model_id,
        case when r.vehicle_use != 'rental' then nullif(r.driver_id, 'forgotten') end as driver_id,
        r.site_id,
        r.vehicle_use,
        r.week_id,
        r.plug_in_at,
        r.plug_out_at,
        r.evidence_grade,
        'unknown' as outcome,
        'summary_only' as why,
        r.soc_start_pct,
        r.soc_end_pct,
        r.energy_kwh,
        r.power_max_kw,
        r.site_power_kw,
        true as is_reported_only,
        r.file_id as first_file_id,
        r.file_row as first_file_row,
        r.file_row as last_file_row
    from reported_stops as r
    inner join vehicle_settings as v on r.vehicle_id = v.vehicle_id
    where r.mode = 'dc'
),

together as (
    select * from seen
    union all by name
    select * from reported
),

numbered as (
    select
        t.*,
        t.warming_kwh * coalesce(e.km_per_kwh, v.km_per_kwh) as range_given_up_km,
        t.warming_kwh / v.usable_kwh * 100 as charge_given_up_pct,
        epoch(t.plug_out_at - t.plug_in_at) / 60 as stay_min,
        v.is_outcome_assumed,
        coalesce(t.is_warming_kwh_estimated, false) and v.is_heater_assumed
            as is_heater_assumed,
        row_number() over (
            partition by t.vehicle_id, timezone($zone, t.plug_in_at)::date
            order by t.plug_in_at, t.first_file_row
        ) as day_no
    from together as t
    inner join vehicle_settings as v on t.vehicle_id = v.vehicle_id
    left join vehicle_economy as e on t.vehicle_id = e.vehicle_id
)

select
    vehicle_id || '.' || strftime(timezone($zone, plug_in_at), '%Y-%m-%d') || '.' || day_no
        as stop_id,
    vehicle_id,
    model_id,
    driver_id,
    site_id,
    vehicle_use,
    week_id,
    plug_in_at,
    plug_out_at,
    evidence_grade,
    outcome,
    why,
    soc_start_pct,
    soc_end_pct,
    energy_kwh,
    power_max_kw,
    active_min,
    held_min,
    idle_min,
    missing_min,
    arrival_cell_temp_min_degc,
    unwarmed_cell_temp_min_degc,
    ambient_degc,
    approach_min,
    approach_missing_min,
    warming_min,
    warming_kwh,
    is_warming_kwh_estimated,
    warming_began_at,
    warming_ended_at,
    range_given_up_km,
    charge_given_up_pct,
    plug_heating_kwh,
    destination_set_at,
    is_charging_place,
    site_power_kw,
    stay_min,
    is_reported_only,
    has_power,
    warm_from_degc,
    is_approach_covered,
    not_warmed_outcome,
    not_warmed_why,
    is_outcome_assumed,
    is_heater_assumed,
    lead_min,
    lead_cell_temp_min_degc,
    lead_current2_a2s,
    lead_above_cutoff_min,
    chance_min,
    warming_before_min,
    warming_current2_a2s,
    unheated_current2_a2s,
    first_file_id,
    first_file_row,
    last_file_row
from numbered
