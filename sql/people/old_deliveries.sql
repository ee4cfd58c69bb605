-- Removes what is kept of deliveries: of a driver's sheet with the other rows about people, of the
-- other documents with their editions. Parameters: people_before_week_id,
-- editions_before_week_id.
delete from deliveries
where
    state in ('sent', 'closed', 'given_up', 'unsure')
    and (
        (driver_id != '' and week_id < $people_before_week_id)
        or week_id < $editions_before_week_id
    )
