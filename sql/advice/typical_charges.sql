-- typical_charges: one row per vehicle model with medians over its stops; stops_n of them have the
-- whole state at the start of the lead window.
-- Inputs: advice_stops. Parameters: none.
select
    model_id,
    count(*) filter (
        where lead_cell_temp_min_degc is not null and ambient_degc is not null
    ) as stops_n,
    median(soc_start_pct) as soc_start_pct,
    median(energy_kwh) as energy_kwh,
    median(ambient_degc) as outside_degc,
    median(lead_cell_temp_min_degc) as pack_degc,
    median(drive_i2_a2) as drive_i2_a2,
    median(approach_min) as approach_min
from advice_stops
group by model_id
