-- budget_spans: one row: the local days that data cover, and the vehicles that have any.
-- Inputs: file_spans. Parameters: zone, history_from_at, history_to_at (half-open).
select
    cast(min(greatest(first_at, $history_from_at)) at time zone $zone as date) as first_day,
    cast(
        max(least(last_at, $history_to_at - interval 1 microsecond)) at time zone $zone as date
    ) as last_day,
    count(distinct vehicle_id) as vehicles_n
from file_spans
where first_at < $history_to_at and last_at >= $history_from_at
