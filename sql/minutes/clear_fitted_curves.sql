-- Removes what was learned for the same week before. Parameters: fit_week_id.
delete from fitted_curves
where fit_week_id = $fit_week_id
