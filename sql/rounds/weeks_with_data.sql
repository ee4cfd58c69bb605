-- weeks_with_data: one row per local week, of those asked about, in which some vehicle has a
-- sample or a reported charge by the spans of its files.
-- Inputs: file_spans, files. Parameters: zone, week_ids (list).
with wanted as (
    select
        week_id,
        timezone($zone, strptime(week_id || '-1', '%G-W%V-%u')) as from_at,
        timezone($zone, strptime(week_id || '-1', '%G-W%V-%u') + interval 7 day) as to_at
    from (select unnest($week_ids::varchar[]) as week_id) as asked
)

select distinct w.week_id
from wanted as w
inner join file_spans as s on w.from_at <= s.last_at and w.to_at > s.first_at
inner join files as f on s.file_id = f.file_id and f.kind in ('samples', 'reported_sessions')
order by w.week_id
