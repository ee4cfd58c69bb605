-- One row per destination set or cleared. Input: incoming, in the order wanted.
insert into nav_events (
    vehicle_id, happened_at, action, is_charging_place, file_id, file_row
)
select
    vehicle_id,
    happened_at,
    action,
    is_charging_place,
    file_id,
    file_row
from incoming
