-- One row per reading of a charger. Input: incoming, in the order wanted. Parameter: file_id.
insert into charger_readings (
    charger_id, connector_id, transaction_id, read_at, power_kw, energy_register_kwh,
    energy_interval_kwh, soc_pct, power_offered_kw, charger_temp_degc, charging_state, id_token,
    context, file_id, file_row
)
select
    charger_id,
    connector_id,
    transaction_id,
    read_at,
    power_kw,
    energy_register_kwh,
    energy_interval_kwh,
    soc_pct,
    power_offered_kw,
    charger_temp_degc,
    charging_state,
    id_token,
    context,
    $file_id,
    file_row
from incoming
