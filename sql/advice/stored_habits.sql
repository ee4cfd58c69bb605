-- stored_habits: one row per vehicle model and habit as learned for one week.
-- Inputs: fitted_habits. Parameters: fit_week_id.
select * from fitted_habits
where fit_week_id = $fit_week_id
order by model_id, quantity
