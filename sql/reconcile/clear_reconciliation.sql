-- Removes a week's rows of reconciliation. Parameters: week_id.
delete from reconciliation
where week_id = $week_id
