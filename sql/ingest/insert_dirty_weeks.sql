-- One row per vehicle and week that has to be computed again, if not listed yet.
-- Parameters: vehicle_id and week_id as lists.
insert into dirty_weeks (vehicle_id, week_id)
select
    unnest($vehicle_id) as vehicle_id,
    unnest($week_id) as week_id
except
select
    vehicle_id,
    week_id
from dirty_weeks
