-- window_spells: one row per warming spell in the window, for the vehicles' habits.
-- Inputs: approach_spells, vehicle_settings. Parameters: window_first_week_id, window_last_week_id.
select
    a.*,
    v.model_id
from approach_spells as a
inner join vehicle_settings as v on a.vehicle_id = v.vehicle_id
where
    a.week_id between $window_first_week_id and $window_last_week_id
    and v.model_id is not null
order by a.vehicle_id, a.began_at, a.spell_no
