-- Takes the driver out of old stops. Parameters: people_before_at.
update stops
set driver_id = null
where plug_in_at < $people_before_at and driver_id is not null
