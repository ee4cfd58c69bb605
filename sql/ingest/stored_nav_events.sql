-- stored_nav_events: one row per row of nav_events of some files,
-- its values as one text. Input: nav_events. Parameters: file_ids (list).
select
    file_id,
    file_row,
    vehicle_id,
    happened_at as first_at,
    happened_at as last_at,
    json_object(
        'action', action,
        'is_charging_place', is_charging_place
    )::varchar as row_text
from nav_events
where file_id in (select unnest($file_ids::integer[]))
