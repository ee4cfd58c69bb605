-- One row per incoming bill whose number the warehouse holds already for its vehicle.
-- Input: incoming. Parameters: first_at, last_at, when the incoming charges began; holds_days, how
-- far apart two charges of one number may have begun; ignored_ids (list), the files that the
-- incoming one may contradict.
select distinct incoming.file_row
from incoming
inner join reported_sessions as stored
    on
    incoming.vehicle_id = stored.vehicle_id
    and incoming.record_id = stored.record_id
where
    stored.plug_in_at between $first_at - to_days($holds_days) and $last_at + to_days($holds_days)
    and abs(epoch(stored.plug_in_at) - epoch(incoming.plug_in_at)) <= 86400 * $holds_days
    and stored.file_id not in (select unnest($ignored_ids::integer[]))
