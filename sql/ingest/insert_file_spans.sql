-- One row per vehicle of the file just read. Input: incoming. Parameter: file_id.
insert into file_spans (file_id, vehicle_id, first_at, last_at, rows_n)
select
    $file_id,
    vehicle_id,
    first_at,
    last_at,
    rows_n
from incoming
