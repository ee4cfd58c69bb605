-- One row per vehicle of the file just read: the time it covers.
-- Parameters: file_id; vehicle_id, from_at and to_at as lists.
insert into file_reaches (file_id, vehicle_id, from_at, to_at)
select
    $file_id as file_id,
    unnest($vehicle_id) as vehicle_id,
    unnest($from_at) as from_at,
    unnest($to_at) as to_at
