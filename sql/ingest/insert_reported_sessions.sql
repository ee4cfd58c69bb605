-- One row per reported charge. Input: incoming, in the order wanted.
insert into reported_sessions (
    vehicle_id, plug_in_at, plug_out_at, meter_energy_kwh, soc_start_pct, soc_end_pct,
    power_max_kw, charge_mode, site_id, is_held_back_by_site, total_cost, latitude_deg,
    longitude_deg, parking_min, record_id, evse_id, file_id, file_row
)
select
    vehicle_id,
    plug_in_at,
    plug_out_at,
    meter_energy_kwh,
    soc_start_pct,
    soc_end_pct,
    power_max_kw,
    charge_mode,
    site_id,
    is_held_back_by_site,
    total_cost,
    latitude_deg,
    longitude_deg,
    parking_min,
    record_id,
    evse_id,
    file_id,
    file_row
from incoming
