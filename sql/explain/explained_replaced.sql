-- explained_replaced: one row per file of which rows at one stop were replaced, and by which.
-- Inputs: superseded_rows, files. Parameters: vehicle_id, from_at, to_at.
select
    f.file_path,
    s.superseded_by_path,
    count(*) as rows_n,
    min(s.file_row) as first_file_row,
    max(s.file_row) as last_file_row,
    max(s.superseded_at) as superseded_at
from superseded_rows as s
inner join files as f on s.file_id = f.file_id
where
    s.vehicle_id = $vehicle_id
    and s.first_at <= $to_at
    and s.last_at >= $from_at
group by f.file_path, s.superseded_by_path
order by f.file_path, s.superseded_by_path
