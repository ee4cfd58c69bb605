-- charge_rows: one row per charge of the scope, AC and DC, in the columns of charge_sessions.
-- Inputs: stop_facts, reported_stops. Parameters: none.
select
    vehicle_id,
    plug_in_at,
    plug_out_at,
    week_id,
    mode,
    site_id,
    soc_start_pct,
    soc_end_pct,
    energy_kwh,
    power_max_kw,
    false as is_reported_only,
    first_file_id,
    first_file_row,
    last_file_row
from stop_facts
union all
select
    vehicle_id,
    plug_in_at,
    plug_out_at,
    week_id,
    mode,
    site_id,
    soc_start_pct,
    soc_end_pct,
    energy_kwh,
    power_max_kw,
    true as is_reported_only,
    file_id as first_file_id,
    file_row as first_file_row,
    file_row as last_file_row
from reported_stops
