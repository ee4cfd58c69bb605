-- One row per vehicle of the file just read.
-- Parameters: file_id; vehicle_id, first_at, last_at and rows_n as lists.
insert into file_spans (file_id, vehicle_id, first_at, last_at, rows_n)
select
    $file_id as file_id,
    unnest($vehicle_id) as vehicle_id,
    unnest($first_at) as first_at,
    unnest($last_at) as last_at,
    unnest($rows_n) as rows_n
