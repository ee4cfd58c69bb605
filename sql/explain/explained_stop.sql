-- explained_stop: the one stop asked for, with what the decision stood on.
-- Inputs: judged_stops, vehicle_settings. Parameters: stop_id.
select
    s.*,
    v.warm_threshold_degc,
    v.warm_tolerance_kelvin,
    v.warming_cutoff_soc_pct,
    v.model_name
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
where s.stop_id = $stop_id
