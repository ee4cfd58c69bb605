-- One span of a second per stop in an old rental, so that it stays a rental stop when its week is
-- computed again, while when the rental began and ended goes.
-- Inputs: stops, driver_spans. Parameters: rentals_before_at.
insert into driver_spans (vehicle_id, from_at, to_at, driver_id, use, file_id, file_row)
select
    s.vehicle_id,
    s.plug_in_at as from_at,
    s.plug_in_at + interval 1 second as to_at,
    null as driver_id,
    'rental' as use,
    s.first_file_id as file_id,
    s.first_file_row as file_row
from stops as s
where
    s.vehicle_use = 'rental'
    and s.plug_in_at < $rentals_before_at
    and exists (
        select 1
        from driver_spans as d
        where
            d.vehicle_id = s.vehicle_id
            and d.use = 'rental'
            and d.to_at < $rentals_before_at
            and d.to_at > d.from_at + interval 1 second
            and d.from_at <= s.plug_in_at
            and d.to_at > s.plug_in_at - interval 3 hour
    )
