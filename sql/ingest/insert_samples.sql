-- One row per sample. Input: incoming, in the order wanted.
insert into samples (
    vehicle_id, sampled_at, soc_pct, pack_power_kw, pack_current_a, cell_temp_min_degc,
    cell_temp_max_degc, ambient_degc, heater_power_kw, is_conditioning, speed_kmh, odometer_km,
    is_connected, charge_mode, site_id, latitude_deg, longitude_deg, file_id, file_row
)
select
    vehicle_id,
    sampled_at,
    soc_pct,
    pack_power_kw,
    pack_current_a,
    cell_temp_min_degc,
    cell_temp_max_degc,
    ambient_degc,
    heater_power_kw,
    is_conditioning,
    speed_kmh,
    odometer_km,
    is_connected,
    charge_mode,
    site_id,
    latitude_deg,
    longitude_deg,
    file_id,
    file_row
from incoming
