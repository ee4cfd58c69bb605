-- week_samples: the samples of one vehicle in a span of time, in the columns of samples.
-- Inputs: samples. Parameters: vehicle_id, from_at, to_at.
select *
from samples
where
    vehicle_id = $vehicle_id
    and sampled_at >= $from_at
    and sampled_at < $to_at
order by sampled_at, file_id, file_row
