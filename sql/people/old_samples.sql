-- Removes samples of closed weeks. Parameters: samples_before_at.
delete from samples
where sampled_at < $samples_before_at
