-- What came in: one ledger row per file, the rows it brought, and the rows set aside.
create sequence file_ids start 1;

create table files (
    file_id integer primary key default nextval('file_ids'),
    file_path varchar not null,
    content_sha256 varchar not null,
    source_id varchar not null,
    kind varchar not null,
    size_bytes bigint not null,
    rows_read_n bigint not null,
    rows_used_n bigint not null,
    rows_repeated_n bigint not null,
    rows_set_aside_n bigint not null,
    first_at timestamptz,
    last_at timestamptz,
    median_interval_s double,
    taken_in_at timestamptz not null,
    unique (content_sha256, source_id)
);

-- Which vehicles a file speaks of, and when: lets overlaps be found without reading samples.
create table file_spans (
    file_id integer not null,
    vehicle_id varchar not null,
    first_at timestamptz not null,
    last_at timestamptz not null,
    rows_n bigint not null
);

-- One row per vehicle and instant. Power and current are positive into the pack.
create table samples (
    vehicle_id varchar not null,
    sampled_at timestamptz not null,
    soc_pct double,
    pack_power_kw double,
    pack_current_a double,
    cell_temp_min_degc double,
    cell_temp_max_degc double,
    ambient_degc double,
    heater_power_kw double,
    is_conditioning boolean,
    speed_kmh double,
    odometer_km double,
    is_connected boolean,
    charge_mode varchar,
    site_id varchar,
    latitude_deg double,
    longitude_deg double,
    file_id integer not null,
    file_row bigint not null
);

-- One row per destination set or cleared in a vehicle.
create table nav_events (
    vehicle_id varchar not null,
    happened_at timestamptz not null,
    action varchar not null,
    is_charging_place boolean,
    file_id integer not null,
    file_row bigint not null
);

-- One row per charge as a summary reports it; energy is at the charger's meter.
create table reported_sessions (
    vehicle_id varchar not null,
    plug_in_at timestamptz not null,
    plug_out_at timestamptz not null,
    meter_energy_kwh double,
    soc_start_pct double,
    soc_end_pct double,
    power_max_kw double,
    charge_mode varchar,
    site_id varchar,
    is_held_back_by_site boolean,
    total_cost double,
    latitude_deg double,
    longitude_deg double,
    file_id integer not null,
    file_row bigint not null
);

-- One row per span in which a vehicle was somebody's, half-open.
create table driver_spans (
    vehicle_id varchar not null,
    from_at timestamptz not null,
    to_at timestamptz not null,
    driver_id varchar,
    use varchar,
    file_id integer not null,
    file_row bigint not null
);

-- One row per row set aside: where it stood, the rule it broke, the value that broke it.
create table quarantine (
    file_id integer not null,
    file_path varchar not null,
    file_row bigint not null,
    rule varchar not null,
    column_name varchar,
    value varchar,
    expected varchar
);

-- One row per vehicle and local week that has data newer than its last computation.
create table dirty_weeks (
    vehicle_id varchar not null,
    week_id varchar not null
);

-- One row per file of the inbox that is wholly taken in: while size and time of change stay the
-- same it is not read again, so that a run does not hash years of exports to find one new file.
create table inbox_files (
    file_path varchar primary key,
    size_bytes bigint not null,
    modified_ns bigint not null,
    source_ids varchar not null
);

-- One row per source: the mapping by which its files were taken in.
create table source_mappings (
    source_id varchar primary key,
    fingerprint varchar not null
);
