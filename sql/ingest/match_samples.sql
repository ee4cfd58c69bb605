-- One row per incoming sample whose vehicle and instant the warehouse holds already, and whether
-- it says the same. Input: incoming. Parameters: first_at, last_at, the time looked at; ignored_ids
-- (list), the files that the incoming one may contradict.
select
    incoming.file_row,
    (
        stored.soc_pct is not distinct from incoming.soc_pct
        and stored.pack_power_kw is not distinct from incoming.pack_power_kw
        and stored.pack_current_a is not distinct from incoming.pack_current_a
        and stored.cell_temp_min_degc is not distinct from incoming.cell_temp_min_degc
        and stored.cell_temp_max_degc is not distinct from incoming.cell_temp_max_degc
        and stored.ambient_degc is not distinct from incoming.ambient_degc
        and stored.heater_power_kw is not distinct from incoming.heater_power_kw
        and stored.is_conditioning is not distinct from incoming.is_conditioning
        and stored.speed_kmh is not distinct from incoming.speed_kmh
        and stored.odometer_km is not distinct from incoming.odometer_km
        and stored.is_connected is not distinct from incoming.is_connected
        and stored.charge_mode is not distinct from incoming.charge_mode
        and stored.site_id is not distinct from incoming.site_id
        and (
            -- Where vehicles drove is not kept for long: a position that is gone contradicts none.
            stored.latitude_deg is null
            or (
                stored.latitude_deg is not distinct from incoming.latitude_deg
                and stored.longitude_deg is not distinct from incoming.longitude_deg
            )
        )
    ) as is_same
from incoming
inner join samples as stored
    on
    incoming.vehicle_id = stored.vehicle_id
    and incoming.sampled_at = stored.sampled_at
where
    stored.sampled_at between $first_at and $last_at
    and (is_same or stored.file_id not in (select unnest($ignored_ids::integer[])))
