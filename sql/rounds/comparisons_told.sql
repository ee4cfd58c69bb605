-- Marks what was to be told of moved figures as told. Inputs: figure_comparisons. Parameters:
-- week_id.
update figure_comparisons
set told_week_id = $week_id
where told_week_id is null
