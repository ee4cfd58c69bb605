-- One row per incoming reading that the warehouse holds already, equal in every column.
-- Input: incoming, with reading_no. Parameters: first_at, last_at, the time looked at.
select distinct incoming.reading_no
from incoming
inner join charger_readings as stored
    on
    incoming.charger_id = stored.charger_id
    and incoming.read_at = stored.read_at
    and incoming.connector_id is not distinct from stored.connector_id
    and incoming.transaction_id is not distinct from stored.transaction_id
    and incoming.power_kw is not distinct from stored.power_kw
    and incoming.energy_register_kwh is not distinct from stored.energy_register_kwh
    and incoming.energy_interval_kwh is not distinct from stored.energy_interval_kwh
    and incoming.soc_pct is not distinct from stored.soc_pct
    and incoming.power_offered_kw is not distinct from stored.power_offered_kw
    and incoming.charger_temp_degc is not distinct from stored.charger_temp_degc
    and incoming.charging_state is not distinct from stored.charging_state
    and incoming.id_token is not distinct from stored.id_token
    and incoming.context is not distinct from stored.context
where stored.read_at between $first_at and $last_at
