-- Removes readings of chargers of closed weeks. Parameters: samples_before_at.
delete from charger_readings
where read_at < $samples_before_at
