-- One row per vehicle and week that has to be computed again, if not listed yet. Input: incoming.
insert into dirty_weeks (vehicle_id, week_id)
select
    incoming.vehicle_id,
    incoming.week_id
from incoming
anti join
    dirty_weeks
    on incoming.vehicle_id = dirty_weeks.vehicle_id and incoming.week_id = dirty_weeks.week_id
