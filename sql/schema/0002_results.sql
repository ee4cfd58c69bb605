-- What was computed: one row per charge, and one row per DC fast-charge stop with its outcome.
create table charge_sessions (
    vehicle_id varchar not null,
    plug_in_at timestamptz not null,
    plug_out_at timestamptz not null,
    week_id varchar not null,
    mode varchar not null, -- dc | ac | dc_unknown
    site_id varchar,
    soc_start_pct double,
    soc_end_pct double,
    energy_kwh double, -- into the pack; for reported sessions meter energy times efficiency
    power_max_kw double,
    is_reported_only boolean not null,
    first_file_id integer not null,
    first_file_row bigint not null,
    last_file_row bigint not null
);

create table stops (
    stop_id varchar not null,
    vehicle_id varchar not null,
    model_id varchar,
    driver_id varchar, -- null is unassigned
    site_id varchar, -- null is an unknown place
    vehicle_use varchar not null, -- delivery | rental | other
    week_id varchar not null,
    plug_in_at timestamptz not null,
    plug_out_at timestamptz not null,
    evidence_grade varchar not null, -- A to E
    outcome varchar not null,
    why varchar,
    soc_start_pct double,
    soc_end_pct double,
    energy_kwh double,
    power_max_kw double,
    active_min double, -- taking power, or held for warming
    held_min double, -- the part of active_min held below 1 kW while the pack was heated
    idle_min double,
    missing_min double, -- at the plug, without samples
    arrival_cell_temp_min_degc double,
    unwarmed_cell_temp_min_degc double,
    ambient_degc double,
    approach_min double,
    approach_missing_min double,
    warming_min double,
    warming_kwh double,
    is_warming_kwh_estimated boolean,
    warming_began_at timestamptz,
    warming_ended_at timestamptz,
    warming_cost double,
    range_given_up_km double,
    charge_given_up_pct double,
    plug_heating_kwh double,
    destination_set_at timestamptz,
    is_charging_place boolean,
    site_power_kw double,
    reference_min double,
    lost_min double, -- active_min - reference_min, signed
    lost_at_most_min double, -- grade D: the stay less the reference time
    site_limit_min double, -- minutes the site's rating alone adds to the model's warm curve
    lost_why_null varchar, -- no_model | no_soc | ... where lost_min is null
    figures_n integer not null, -- outcome, lost_min, warming_kwh, warming_cost: those not null
    figures_assumed_n integer not null, -- of these, resting on a default nobody set
    first_file_id integer not null,
    first_file_row bigint not null,
    last_file_row bigint not null
);

-- Great-circle distance [m] between two WGS 84 positions on a sphere of the IUGG mean radius
-- 6371.0088 km.
create macro distance_m(latitude_1, longitude_1, latitude_2, longitude_2) as
2 * 6371008.8 * asin(sqrt(
    pow(sin(radians(latitude_1 - latitude_2) / 2), 2)
    + cos(radians(latitude_1)) * cos(radians(latitude_2))
    * pow(sin(radians(longitude_1 - longitude_2) / 2), 2)
));

-- One row: under which method and configuration the results stand.
create table computed_with (
    method_version varchar not null,
    fingerprint varchar not null
);
