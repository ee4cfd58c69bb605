-- One row per incoming row that the warehouse holds already, equal in every column.
-- Input: incoming. Parameters: first_at, last_at, the time looked at.
select
    incoming.file_row,
    true as is_same
from incoming
inner join reported_sessions as stored
    on
    incoming.vehicle_id = stored.vehicle_id
    and incoming.plug_in_at = stored.plug_in_at
    and incoming.plug_out_at is not distinct from stored.plug_out_at
    and incoming.meter_energy_kwh is not distinct from stored.meter_energy_kwh
    and incoming.soc_start_pct is not distinct from stored.soc_start_pct
    and incoming.soc_end_pct is not distinct from stored.soc_end_pct
    and incoming.power_max_kw is not distinct from stored.power_max_kw
    and incoming.charge_mode is not distinct from stored.charge_mode
    and incoming.site_id is not distinct from stored.site_id
    and incoming.is_held_back_by_site is not distinct from stored.is_held_back_by_site
    and incoming.total_cost is not distinct from stored.total_cost
    and incoming.latitude_deg is not distinct from stored.latitude_deg
    and incoming.longitude_deg is not distinct from stored.longitude_deg
    and incoming.parking_min is not distinct from stored.parking_min
    and incoming.record_id is not distinct from stored.record_id
    and incoming.evse_id is not distinct from stored.evse_id
where stored.plug_in_at between $first_at and $last_at
