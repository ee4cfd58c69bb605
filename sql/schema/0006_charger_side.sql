-- What chargers say of themselves, and the sides of a charge laid next to each other.

-- One row per meter value of a charger. A connector of 0 is the charger as a whole.
create table charger_readings (
    charger_id varchar not null,
    connector_id integer, -- OCPP 1.6: connector; 2.0.1: EVSE
    transaction_id varchar,
    read_at timestamptz not null,
    power_kw double, -- active, out of the outlet into the vehicle
    energy_register_kwh double,
    energy_interval_kwh double,
    soc_pct double, -- as the vehicle told the charger
    power_offered_kw double,
    charger_temp_degc double, -- inside the charge point, never the battery
    charging_state varchar, -- Charging | EVConnected | SuspendedEV | SuspendedEVSE | Idle
    id_token varchar, -- of the card used
    context varchar,
    file_id integer not null,
    file_row bigint not null
);

-- How far a charger's clock is from the vehicles', by the charges that both saw: what is to be
-- added to the charger's instants.
create table charger_clocks (
    week_id varchar not null,
    charger_id varchar not null,
    clock_offset_s double not null,
    charges_n integer not null
);

-- What the charger offered at a stop, by its own log.
create table stop_offers (
    week_id varchar not null,
    vehicle_id varchar not null,
    plug_in_at timestamptz not null,
    charger_id varchar not null,
    transaction_id varchar not null,
    site_offered_kw double, -- highest offer
    offered_least_kw double,
    held_back_min double, -- taken power at the offer, while the offer was below its highest
    suspended_by_site_min double -- in state SuspendedEVSE
);

-- One row per charge of a week as vehicle, charger and bill show it, or as some of them do.
create table reconciliation (
    week_id varchar not null,
    row_no integer not null,
    status varchar not null,
    -- matched | billed_never_seen | seen_never_billed | energy_differs | cost_differs | idle_fee
    why varchar,
    vehicle_id varchar not null,
    vehicle_use varchar not null,
    site_id varchar,
    stop_id varchar, -- null where the vehicle did not see it, or it was no fast charge
    seen_at timestamptz, -- plugged in, by the vehicle
    billed_at timestamptz,
    charger_id varchar,
    transaction_id varchar,
    record_id varchar, -- the biller's own number
    received_kwh double, -- into the pack
    charger_kwh double, -- by the charger's register
    billed_kwh double,
    expected_kwh double, -- at the meter, from received_kwh and the charging efficiency
    billed_cost double,
    expected_cost double, -- by the site's tariff, for the energy billed
    idle_fee_cost double, -- the part of expected_cost for time not charging
    bills_n integer not null,
    -- Cost of the pairing: of vehicle and bill, else of vehicle and charger.
    match_value double,
    bill_file_id integer,
    bill_file_row bigint
);
