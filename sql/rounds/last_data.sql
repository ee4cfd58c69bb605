-- last_data: one row: the local date of the newest sample or reported charge before an instant,
-- null without any. Inputs: file_spans, files. Parameters: zone, to_at.
select timezone($zone, max(least(s.last_at, $to_at - interval 1 second)))::date as last_data_date
from file_spans as s
inner join files as f on s.file_id = f.file_id and f.kind in ('samples', 'reported_sessions')
where s.first_at < $to_at
