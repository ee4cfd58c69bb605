-- Removes a week's rows of charger_clocks. Parameters: week_id.
delete from charger_clocks
where week_id = $week_id
