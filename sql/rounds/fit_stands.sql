-- fit_stands: one row: do the minutes of every stop of a year stand under the fit of its last week,
-- learned from the facts as they are?
-- Inputs: standing_fit, stops, stop_minutes. Parameters: fit_week_id, first_week_id, facts_hash.
select
    exists (
        select 1
        from standing_fit
        where fit_week_id = $fit_week_id and facts_hash = $facts_hash
    )
    and not exists (
        select 1
        from stops as s
        left join stop_minutes as m on s.stop_id = m.stop_id
        where
            s.week_id between $first_week_id and $fit_week_id
            and m.fit_week_id is distinct from $fit_week_id
    ) as is_standing
