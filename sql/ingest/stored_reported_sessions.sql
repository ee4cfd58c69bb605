-- stored_reported_sessions: one row per row of reported_sessions of some files,
-- its values as one text. Input: reported_sessions. Parameters: file_ids (list).
select
    file_id,
    file_row,
    vehicle_id,
    plug_in_at as first_at,
    plug_out_at as last_at,
    json_object(
        'plug_out_at', plug_out_at,
        'meter_energy_kwh', meter_energy_kwh,
        'soc_start_pct', soc_start_pct,
        'soc_end_pct', soc_end_pct,
        'power_max_kw', power_max_kw,
        'charge_mode', charge_mode,
        'site_id', site_id,
        'is_held_back_by_site', is_held_back_by_site,
        'total_cost', total_cost,
        'latitude_deg', latitude_deg,
        'longitude_deg', longitude_deg,
        'parking_min', parking_min,
        'record_id', record_id,
        'evse_id', evse_id
    )::varchar as row_text
from reported_sessions
where file_id in (select unnest($file_ids::integer[]))
