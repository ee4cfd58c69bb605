-- health_vehicles: one row per vehicle that ever sent something of its own (not a roster or a
-- booking, which may speak of next month): its newest instant.
-- Inputs: files, file_spans.
select
    s.vehicle_id,
    max(s.last_at) as last_data_at
from file_spans as s
inner join files as f on s.file_id = f.file_id
where f.kind not in ('driver_spans', 'ocpp_meter')
group by s.vehicle_id
order by s.vehicle_id
