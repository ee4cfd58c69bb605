-- One row per incoming row that the warehouse holds already, equal in every column.
-- Input: incoming. Parameters: first_at, last_at, the time looked at.
select
    incoming.file_row,
    true as is_same
from incoming
inner join nav_events as stored
    on
    incoming.vehicle_id = stored.vehicle_id
    and incoming.happened_at = stored.happened_at
    and incoming.action is not distinct from stored.action
    and incoming.is_charging_place is not distinct from stored.is_charging_place
where stored.happened_at between $first_at and $last_at
