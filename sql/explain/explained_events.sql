-- explained_events: what was set or cleared in the vehicle in the 12 h before one stop.
-- Inputs: nav_events, files. Parameters: vehicle_id, plug_in_at.
select
    epoch(n.happened_at - $plug_in_at) / 60 as from_plug_in_min,
    n.action,
    n.is_charging_place,
    f.file_path,
    n.file_row
from nav_events as n
left join files as f on n.file_id = f.file_id
where
    n.vehicle_id = $vehicle_id
    and n.happened_at <= $plug_in_at
    and n.happened_at > $plug_in_at - interval 12 hour
order by n.happened_at
