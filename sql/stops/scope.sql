-- scope: one row per vehicle whose local week scope_week_id must be computed anew.
-- Inputs: dirty_weeks. Parameters: zone (IANA name), scope_week_id.
-- from_at to to_at is the week, half-open; read_* adds 36 h on both sides, because a charge or
-- an approach may straddle midnight of Monday.
with weeks as (
    select distinct
        vehicle_id,
        week_id,
        strptime(week_id || '-1', '%G-W%V-%u') as monday
    from dirty_weeks
    where week_id = $scope_week_id
)

select
    vehicle_id,
    week_id,
    timezone($zone, monday) as from_at,
    timezone($zone, monday + interval 7 day) as to_at,
    timezone($zone, monday) - interval 36 hour as read_from_at,
    timezone($zone, monday + interval 7 day) + interval 36 hour as read_to_at
from weeks
