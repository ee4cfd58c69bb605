-- Records the actions on the first page: the first findings, in a week that has a stop.
-- Inputs: weekly_attention (its rows in the order printed), weekly_fleet. Parameters: week_id,
-- actions_n.
insert into edition_actions
select
    $week_id as week_id,
    a.rowid + 1 as action_no,
    a.kind,
    a.subject_id,
    a.code,
    a.avoidable_min
from weekly_attention as a
where
    a.rowid < $actions_n
    and exists (
        select 1 from weekly_fleet as f
        where f.is_edition and f.week_id = $week_id and f.stops_n > 0
    )
