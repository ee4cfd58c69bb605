-- Removes the minutes of the window's stops under whatever fit stood, and those of stops that are
-- no more. Inputs: stops. Parameters: window_first_week_id, window_last_week_id.
delete from stop_minutes as m
where
    m.week_id between $window_first_week_id and $window_last_week_id
    or not exists (
        select 1 from stops as s
        where s.stop_id = m.stop_id
    )
