-- One row per file and vehicle of what is left of some files. Input: old_rows.
insert into file_spans (file_id, vehicle_id, first_at, last_at, rows_n)
select
    file_id,
    vehicle_id,
    min(first_at) as first_at,
    max(last_at) as last_at,
    count(*) as rows_n
from old_rows
group by file_id, vehicle_id
order by file_id, vehicle_id
