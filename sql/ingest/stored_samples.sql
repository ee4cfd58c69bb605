-- stored_samples: one row per row of samples of some files,
-- its values as one text. Input: samples. Parameters: file_ids (list).
select
    file_id,
    file_row,
    vehicle_id,
    sampled_at as first_at,
    sampled_at as last_at,
    json_object(
        'soc_pct', soc_pct,
        'pack_power_kw', pack_power_kw,
        'pack_current_a', pack_current_a,
        'cell_temp_min_degc', cell_temp_min_degc,
        'cell_temp_max_degc', cell_temp_max_degc,
        'ambient_degc', ambient_degc,
        'heater_power_kw', heater_power_kw,
        'is_conditioning', is_conditioning,
        'speed_kmh', speed_kmh,
        'odometer_km', odometer_km,
        'is_connected', is_connected,
        'charge_mode', charge_mode,
        'site_id', site_id,
        'latitude_deg', latitude_deg,
        'longitude_deg', longitude_deg
    )::varchar as row_text
from samples
where file_id in (select unnest($file_ids::integer[]))
