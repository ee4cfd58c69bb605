-- One row per file and vehicle just read. Input: incoming.
insert into file_spans (file_id, vehicle_id, first_at, last_at, rows_n)
select
    file_id,
    vehicle_id,
    first_at,
    last_at,
    rows_n
from incoming
