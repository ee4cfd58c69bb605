-- Marks an edition as handed to the delivery. Inputs: made_editions. Parameters: week_id,
-- edition_no.
update made_editions
set is_queued = true
where week_id = $week_id and edition_no = $edition_no
