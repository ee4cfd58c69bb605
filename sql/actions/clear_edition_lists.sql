-- Removes the note that an edition was made, which is about to be recorded anew.
-- Inputs: edition_lists. Parameters: week_id.
delete from edition_lists
where week_id = $week_id
