-- stored_curves: one row per vehicle model and per cent of charge as fitted for one week.
-- Inputs: fitted_curves. Parameters: fit_week_id.
select * from fitted_curves
where fit_week_id = $fit_week_id
order by model_id, soc_bin
