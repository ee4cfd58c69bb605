-- Takes the driver out of old spans; the word left keeps the meaning of their breaks.
-- Parameters: people_before_at.
update driver_spans
set driver_id = 'forgotten'
where to_at < $people_before_at and driver_id != 'forgotten'
