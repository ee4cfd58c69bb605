-- One row per file and vehicle taken in so far: the time that the file speaks of.
select
    files.kind,
    file_spans.vehicle_id,
    file_spans.first_at,
    file_spans.last_at
from file_spans
inner join files on file_spans.file_id = files.file_id
order by file_spans.first_at
