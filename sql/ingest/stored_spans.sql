-- stored_spans: one row per vehicle and day (UTC) of what is stored of some files.
-- Input: old_rows. Parameters: none.
select
    vehicle_id,
    min(first_at) as first_at,
    max(last_at) as last_at,
    count(*) as rows_n
from old_rows
group by vehicle_id, first_at::date
