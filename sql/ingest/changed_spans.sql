-- changed_spans: one row per vehicle and day (UTC) of which rows were replaced.
-- Input: superseded_now. Parameters: none.
select
    vehicle_id,
    min(first_at) as first_at,
    max(last_at) as last_at
from superseded_now
group by vehicle_id, first_at::date
