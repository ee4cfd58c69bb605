-- weeks_to_compute: one row per dirty week in which one of its vehicles has data at all. A week
-- is also marked dirty when data end less than 36 h from its edge; often there is none inside.
-- A week whose samples the retention removed is closed: its results stay as they are.
-- Inputs: dirty_weeks, file_spans, retention_marks. Parameters: zone.
with weeks as (
    select distinct
        vehicle_id,
        week_id,
        timezone($zone, strptime(week_id || '-1', '%G-W%V-%u')) as from_at,
        timezone($zone, strptime(week_id || '-1', '%G-W%V-%u') + interval 7 day) as to_at
    from dirty_weeks
)

select distinct w.week_id
from weeks as w
inner join file_spans as f
    on
    w.vehicle_id = f.vehicle_id
    and w.from_at <= f.last_at
    and w.to_at > f.first_at
where
    not exists (
        select 1
        from retention_marks as m
        where m.samples_from_at > w.from_at
    )
order by w.week_id
