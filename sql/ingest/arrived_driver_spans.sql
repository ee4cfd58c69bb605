-- arrived_driver_spans: one row per incoming row, its values as one text,
-- the same that stored_driver_spans makes of them. Input: incoming. Parameters: none.
select
    file_row,
    vehicle_id,
    from_at as first_at,
    to_at as last_at,
    json_object(
        'to_at', to_at,
        'driver_id', driver_id,
        'use', use
    )::varchar as row_text
from incoming
