-- One row per incoming row that the warehouse holds already, equal in every column.
-- Input: incoming. Parameters: first_at, last_at, the time looked at.
select
    incoming.file_row,
    true as is_same
from incoming
inner join driver_spans as stored
    on
    incoming.vehicle_id = stored.vehicle_id
    and incoming.from_at = stored.from_at
    and incoming.to_at is not distinct from stored.to_at
    and incoming.driver_id is not distinct from stored.driver_id
    and incoming.use is not distinct from stored.use
where stored.from_at between $first_at and $last_at
