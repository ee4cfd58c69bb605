-- stop_rows: one row per DC stop of the scope, in the columns of table stops: those seen in the
-- samples and those known from summaries only.
-- Inputs: stop_outcomes, stop_minutes, reported_stops, reported_minutes, vehicle_settings,
-- vehicle_economy. Parameters: zone, energy_price_per_kwh, is_price_assumed.
-- figures_n counts outcome, minutes, warming energy and its cost where they are given;
-- figures_assumed_n those of them that rest on a default nobody set.
with seen as (
    select
        o.vehicle_id,
        v.model_id,
        case when o.vehicle_use != 'rental' then o.driver_id end as driver_id,
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
        m.reference_min,
        o.active_min - m.reference_min as lost_min,
        null::double as lost_at_most_min,
        m.site_limit_min,
        case
            when m.reference_min is not null then null
            when not o.has_power then 'no_power'
            when v.model_id is null then 'no_model'
            when not v.has_warm_curve then 'no_warm_curve'
            when m.is_soc_missing or o.soc_start_pct is null then 'no_soc'
            else 'no_active_minutes'
        end as lost_why_null,
        o.first_file_id,
        o.first_file_row,
        o.last_file_row
    from stop_outcomes as o
    inner join vehicle_settings as v on o.vehicle_id = v.vehicle_id
    left join stop_minutes as m on o.vehicle_id = m.vehicle_id and o.charge_no = m.charge_no
),

reported as (
    select
        r.vehicle_id,
        v.model_id,
        case when r.vehicle_use != 'rental' then r.driver_id end as driver_id,
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
        r.stay_min - m.reference_min as lost_at_most_min,
        case
            when r.evidence_grade = 'E' then 'no_soc'
            when v.model_id is null then 'no_model'
            when not v.has_warm_curve then 'no_warm_curve'
            else 'summary_only'
        end as lost_why_null,
        r.file_id as first_file_id,
        r.file_row as first_file_row,
        r.file_row as last_file_row
    from reported_stops as r
    inner join vehicle_settings as v on r.vehicle_id = v.vehicle_id
    left join reported_minutes as m
        on r.vehicle_id = m.vehicle_id and r.report_no = m.report_no
    where r.mode = 'dc'
),

together as (
    select * from seen
    union all by name
    select * from reported
),

priced as (
    select
        t.*,
        t.warming_kwh * $energy_price_per_kwh as warming_cost,
        t.warming_kwh * coalesce(e.km_per_kwh, v.km_per_kwh) as range_given_up_km,
        t.warming_kwh / v.usable_kwh * 100 as charge_given_up_pct,
        (t.outcome != 'unknown')::int as has_outcome,
        (t.lost_min is not null)::int as has_minutes,
        (t.warming_kwh is not null)::int as has_warming_kwh,
        v.is_outcome_assumed,
        v.is_heater_assumed,
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
    warming_cost,
    range_given_up_km,
    charge_given_up_pct,
    plug_heating_kwh,
    destination_set_at,
    is_charging_place,
    site_power_kw,
    reference_min,
    lost_min,
    lost_at_most_min,
    site_limit_min,
    lost_why_null,
    has_outcome + has_minutes + 2 * has_warming_kwh as figures_n,
    has_outcome * is_outcome_assumed::int
    + has_minutes * (site_power_kw is null)::int
    + has_warming_kwh
    * (coalesce(is_warming_kwh_estimated, false) and is_heater_assumed)::int
    + has_warming_kwh * $is_price_assumed::int as figures_assumed_n,
    first_file_id,
    first_file_row,
    last_file_row
from priced
