-- Removes a week's rows of stop_offers. Parameters: week_id.
delete from stop_offers
where week_id = $week_id
