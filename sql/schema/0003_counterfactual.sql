-- Facts about a stop, what was learned from them, and the minutes that follow from both, apart:
-- facts change with the data of their week, minutes with every new fit.
alter table stops drop column reference_min;
alter table stops drop column lost_min;
alter table stops drop column lost_at_most_min;
alter table stops drop column site_limit_min;
alter table stops drop column lost_why_null;
alter table stops drop column warming_cost;
alter table stops drop column figures_n;
alter table stops drop column figures_assumed_n;
alter table stops add column is_reported_only boolean;
alter table stops add column has_power boolean;
alter table stops add column not_warmed_outcome varchar; -- what it was if nothing warmed
alter table stops add column not_warmed_why varchar;
alter table stops add column is_approach_covered boolean;
alter table stops add column warm_from_degc double; -- threshold less tolerance
alter table stops add column is_outcome_assumed boolean; -- the outcome rests on a default
alter table stops add column is_heater_assumed boolean; -- the warming energy does
alter table stops add column stay_min double;
-- The approach, as the worth of warming and the thermal model need it.
alter table stops add column lead_min double; -- of the lead window, or of a shorter approach
alter table stops add column lead_cell_temp_min_degc double; -- at the start of the lead window
alter table stops add column lead_current2_a2s double; -- integral of pack current squared
alter table stops add column lead_above_cutoff_min double; -- of it with charge to warm
-- With a charging place set and charge above the cut-off.
alter table stops add column chance_min double;
alter table stops add column warming_before_min double; -- from the start of warming to plug-in
alter table stops add column warming_current2_a2s double; -- the same since warming began
alter table stops add column unheated_current2_a2s double; -- that, had the heater stayed off

-- A fast charge in steps of at most half a minute: what curves and causes are drawn from.
create table charge_steps (
    vehicle_id varchar not null,
    plug_in_at timestamptz not null,
    week_id varchar not null,
    step_no integer not null,
    step_min double not null,
    pack_kwh double not null,
    heater_kwh double, -- at the plug; null without a heater signal
    soc_mid_pct double,
    cell_temp_min_degc double,
    is_held boolean not null, -- below 1 kW while the pack is heated
    is_ramp boolean not null -- the first minute of the charge
);

-- Stretches of warming, driving and parking with the pack's temperature at both ends.
create table thermal_stretches (
    vehicle_id varchar not null,
    week_id varchar not null,
    from_at timestamptz not null,
    stretch_kind varchar not null, -- warming | driving | parked
    stretch_min double not null,
    cell_temp_start_degc double not null,
    cell_temp_end_degc double not null,
    ambient_degc double not null,
    heater_kwh double not null,
    current2_a2s double not null, -- integral of pack current squared [A2 s]
    is_heater_estimated boolean not null
);

-- Spells of warming on approaches: what the vehicle itself did.
create table approach_spells (
    vehicle_id varchar not null,
    week_id varchar not null,
    plug_in_at timestamptz not null,
    spell_no integer not null,
    began_at timestamptz not null,
    spell_min double not null,
    before_plug_in_min double not null,
    steady_heater_kw double,
    cell_temp_start_degc double,
    cell_temp_end_degc double,
    soc_end_pct double
);

-- Warming of a standing vehicle that no departure followed within the hour, and of a driving one
-- that no charge followed, by vehicle and local day.
create table idle_warming (
    vehicle_id varchar not null,
    week_id varchar not null,
    warmed_at timestamptz not null,
    idle_warming_kwh double not null
);

-- What was learned, each row with the week up to which data were used.
create table fitted_models (
    fit_week_id varchar not null,
    model_id varchar not null,
    cold_form varchar, -- factor | ceiling | null: no cold limit known
    cold_source varchar not null, -- learned | configured | not_seen (cold, but no limit) | none
    factor_pinball_loss_kw double,
    ceiling_pinball_loss_kw double,
    without_pinball_loss_kw double,
    full_power_degc double,
    sessions_n integer not null,
    cold_sessions_n integer not null,
    thermal_source varchar not null, -- learned | default | implausible
    thermal_why varchar,
    heat_kj_per_kelvin double,
    heat_se_kj_per_kelvin double,
    resistance_ohm double,
    resistance_se_ohm double,
    loss_w_per_kelvin double,
    loss_se_w_per_kelvin double,
    tau_h double,
    stretches_n integer not null,
    heater_power_kw double,
    plug_heat_below_degc double, -- the charger heats the pack below this
    plug_heat_until_degc double,
    plug_hold_below_degc double,
    -- Grade B on trial: stops whose heater is known, judged as if it were not.
    grade_b_judged_n integer,
    grade_b_wrong_n integer,
    grade_b_open_n integer
);

create table fitted_habits (
    fit_week_id varchar not null,
    model_id varchar not null,
    quantity varchar not null, -- heater_power_kw | warming_end_degc | warming_cutoff_soc_pct
    learned_value double, -- in the unit that `quantity` names
    spread_value double,
    configured_value double,
    seen_n integer not null,
    is_different boolean not null,
    why_null varchar
);

create table fitted_curves (
    fit_week_id varchar not null,
    model_id varchar not null,
    soc_bin integer not null, -- of one per cent, 0 to 99
    reference_kw double not null,
    configured_kw double,
    sessions_n integer not null,
    -- learned | scaled (configured shape, learned level) | at_least (seen at a site's limit)
    -- | configured
    curve_source varchar not null
);

create table fitted_cold_limits (
    fit_week_id varchar not null,
    model_id varchar not null,
    cold_form varchar not null,
    cell_temp_degc double not null,
    cold_value double not null, -- factor: 0 to 1; ceiling: kW per kWh of usable capacity
    sessions_n integer not null,
    cold_source varchar not null -- learned | extended | configured | none
);

create table fitted_vehicles (
    fit_week_id varchar not null,
    vehicle_id varchar not null,
    curve_scale double not null,
    sessions_n integer not null
);

create table fitted_sites (
    fit_week_id varchar not null,
    site_id varchar not null,
    power_kw double not null,
    sessions_n integer not null
);

-- The minutes of each stop, under the fit named. Two summaries may begin at the same instant, so
-- the stop's own id is the key.
create table stop_minutes (
    stop_id varchar not null,
    vehicle_id varchar not null,
    plug_in_at timestamptz not null,
    week_id varchar not null,
    fit_week_id varchar not null,
    reference_min double,
    lost_min double,
    excess_min double, -- beyond a warm pack at an unlimited charger: cold + site + unexplained
    lost_cold_min double,
    lost_site_min double,
    lost_unexplained_min double,
    held_back_min double, -- part of unexplained: the charger shared or cut its power
    split_doubt_min double, -- half of what cold and site would differ by, were either put first
    lost_at_most_min double, -- grade D
    lost_why_null varchar,
    split_why_null varchar,
    avoidable_min double,
    unavoidable_min double,
    is_expected boolean, -- warming was possible and would have saved enough
    expected_why_not varchar,
    is_site_learned boolean not null, -- the site's limit is a plateau seen, not a rating
    refined_outcome varchar, -- where the thermal fit decides otherwise, or at last
    refined_why varchar,
    model_unwarmed_degc double, -- arrival without the warming, from the thermal model
    reachable_degc double,
    needed_min double,
    unwarmed_cold_min double, -- cold minutes had nobody warmed
    net_saved_min double,
    net_missed_min double,
    refill_min double,
    warming_cost double,
    warming_price_per_kwh double,
    is_price_assumed boolean,
    marginal_cost double,
    cold_fees double,
    valued_min double,
    worth_cash double,
    worth_time double,
    break_even_per_hour double,
    missed_valued_min double,
    missed_worth_cash double,
    missed_worth_time double,
    break_min double
);

-- One row per DC stop: facts and minutes together, the outcome refined by the thermal fit where it
-- was needed.
create view judged_stops as
select
    s.* exclude (outcome, why, unwarmed_cell_temp_min_degc),
    coalesce(m.refined_outcome, s.outcome) as outcome,
    case when m.refined_outcome is null then s.why else m.refined_why end as why,
    coalesce(m.model_unwarmed_degc, s.unwarmed_cell_temp_min_degc)
        as unwarmed_cell_temp_min_degc,
    m.* exclude (
        stop_id, vehicle_id, plug_in_at, week_id, refined_outcome, refined_why, model_unwarmed_degc
    ),
    case
        when coalesce(m.split_why_null, '') != 'site_limit_unknown'
            then m.excess_min - m.lost_min
    end as site_limit_min,
    (coalesce(m.refined_outcome, s.outcome) != 'unknown')::int + (m.lost_min is not null)::int
    + (s.warming_kwh is not null)::int + (m.warming_cost is not null)::int as figures_n,
    (coalesce(m.refined_outcome, s.outcome) != 'unknown' and s.is_outcome_assumed)::int
    + (m.lost_min is not null and s.site_power_kw is null and not m.is_site_learned)::int
    + (s.warming_kwh is not null and s.is_heater_assumed)::int
    + (m.warming_cost is not null and m.is_price_assumed)::int as figures_assumed_n
from stops as s
left join stop_minutes as m on s.stop_id = m.stop_id;
