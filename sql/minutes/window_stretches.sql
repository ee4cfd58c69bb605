-- window_stretches: one row per stretch of warming, driving or parking in the window, for the
-- thermal fit.
-- Inputs: thermal_stretches, vehicle_settings. Parameters: window_first_week_id,
-- window_last_week_id.
select
    t.*,
    v.model_id
from thermal_stretches as t
inner join vehicle_settings as v on t.vehicle_id = v.vehicle_id
where
    t.week_id between $window_first_week_id and $window_last_week_id
    and v.model_id is not null
order by t.vehicle_id, t.from_at, t.stretch_kind
