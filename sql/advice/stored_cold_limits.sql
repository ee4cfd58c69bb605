-- stored_cold_limits: one row per vehicle model and knot of temperature as fitted for one week.
-- Inputs: fitted_cold_limits. Parameters: fit_week_id.
select * from fitted_cold_limits
where fit_week_id = $fit_week_id
order by model_id, cell_temp_degc
