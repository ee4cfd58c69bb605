-- Removes the actions of an edition, which is about to be recorded anew.
-- Inputs: edition_actions. Parameters: week_id.
delete from edition_actions
where week_id = $week_id
