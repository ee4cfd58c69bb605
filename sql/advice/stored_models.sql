-- stored_models: one row per vehicle model as it was fitted for one week.
-- Inputs: fitted_models. Parameters: fit_week_id.
select * from fitted_models
where fit_week_id = $fit_week_id
order by model_id
