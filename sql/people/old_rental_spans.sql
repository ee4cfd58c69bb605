-- Removes old rental spans but the marks of a second that keep_rental_stops left.
-- Parameters: rentals_before_at.
delete from driver_spans
where
    use = 'rental'
    and to_at < $rentals_before_at
    and to_at > from_at + interval 1 second
