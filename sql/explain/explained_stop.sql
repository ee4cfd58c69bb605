-- explained_stop: the one stop asked for, with what the decision stood on and the files behind.
-- Inputs: judged_stops, vehicle_settings, files. Parameters: stop_id.
select
    s.*,
    v.warm_threshold_degc,
    v.warm_tolerance_kelvin,
    v.warming_cutoff_soc_pct,
    v.model_name,
    f.file_path,
    f.content_sha256,
    f.source_id
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
left join files as f on s.first_file_id = f.file_id
where s.stop_id = $stop_id
