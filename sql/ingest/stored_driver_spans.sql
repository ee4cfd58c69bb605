-- stored_driver_spans: one row per row of driver_spans of some files,
-- its values as one text. Input: driver_spans. Parameters: file_ids (list).
select
    file_id,
    file_row,
    vehicle_id,
    from_at as first_at,
    to_at as last_at,
    json_object(
        'to_at', to_at,
        'driver_id', driver_id,
        'use', use
    )::varchar as row_text
from driver_spans
where file_id in (select unnest($file_ids::integer[]))
