-- fitted_weeks: one row per week for which something was learned, the newest first.
-- Inputs: fitted_models. Parameters: none.
select distinct fit_week_id from fitted_models
order by fit_week_id desc
