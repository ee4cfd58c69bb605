-- Removes destinations of closed weeks. Parameters: samples_before_at.
delete from nav_events
where happened_at < $samples_before_at
