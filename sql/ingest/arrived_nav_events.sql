-- arrived_nav_events: one row per incoming row, its values as one text,
-- the same that stored_nav_events makes of them. Input: incoming. Parameters: none.
select
    file_row,
    vehicle_id,
    happened_at as first_at,
    happened_at as last_at,
    json_object(
        'action', action,
        'is_charging_place', is_charging_place
    )::varchar as row_text
from incoming
