-- One row per vehicle of a batch whose time an earlier file of the same kind speaks of too: the
-- part they share. Parameters: kind, and the batch's vehicle_id, first_at, last_at as lists.
with incoming as (
    select
        unnest($vehicle_id) as vehicle_id,
        unnest($first_at) as first_at,
        unnest($last_at) as last_at
)

select
    incoming.vehicle_id,
    min(greatest(incoming.first_at, file_spans.first_at)) as first_at,
    max(least(incoming.last_at, file_spans.last_at)) as last_at
from incoming
inner join file_spans
    on
    incoming.vehicle_id = file_spans.vehicle_id
    and incoming.last_at >= file_spans.first_at
    and incoming.first_at <= file_spans.last_at
inner join files on file_spans.file_id = files.file_id
where files.kind = $kind
group by incoming.vehicle_id
