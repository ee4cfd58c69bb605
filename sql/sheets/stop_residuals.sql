-- stop_residuals: one row per cold charge of a vehicle model under one fit that the site did not
-- hold back: what it took beyond curve and limits, as a share of what they say it should take.
-- Inputs: judged_stops. Parameters: model_id, fit_week_id.
select lost_unexplained_min / (reference_min + lost_cold_min) as residual_rate
from judged_stops
where
    model_id = $model_id
    and fit_week_id = $fit_week_id
    and lost_cold_min > 0.5
    and lost_unexplained_min is not null
    and reference_min > 0
    and abs(coalesce(held_back_min, 0)) < 0.05
order by residual_rate
