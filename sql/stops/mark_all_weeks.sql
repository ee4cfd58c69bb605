-- Marks every vehicle and local week that has data, because the method or the configuration is
-- no longer the one the results stand on. Inputs: file_spans. Parameters: zone.
insert into dirty_weeks
with days as (
    select
        vehicle_id,
        unnest(generate_series(
            date_trunc('day', timezone($zone, first_at)),
            date_trunc('day', timezone($zone, last_at)),
            interval 1 day
        )) as local_day
    from file_spans
)

select distinct
    vehicle_id,
    strftime(local_day, '%G-W%V') as week_id
from days
