-- Marks the weeks of which files are about to be forgotten. Inputs: file_spans.
-- Parameters: file_ids (list), zone.
insert into dirty_weeks
with days as (
    select
        vehicle_id,
        unnest(generate_series(
            date_trunc('day', timezone($zone, first_at - interval 36 hour)),
            date_trunc('day', timezone($zone, last_at + interval 36 hour)),
            interval 1 day
        )) as local_day
    from file_spans
    where file_id in (select unnest($file_ids::integer[]))
)

select distinct
    vehicle_id,
    strftime(local_day, '%G-W%V') as week_id
from days
