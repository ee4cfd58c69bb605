-- One row per span in which a vehicle was somebody's. Input: incoming, in the order wanted.
--
insert into driver_spans (
    vehicle_id, from_at, to_at, driver_id, use, file_id, file_row
)
select
    vehicle_id,
    from_at,
    to_at,
    driver_id,
    use,
    file_id,
    file_row
from incoming
