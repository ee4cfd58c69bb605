-- site_states: one row per known site and vehicle model with medians over the stops there, pack
-- temperature being that at the start of the lead window; stops_n of them have the whole state.
-- Inputs: advice_stops. Parameters: none.
select
    site_id,
    any_value(site_name) as site_name,
    model_id,
    median(site_power_kw) as site_power_kw,
    any_value(site_power_source) as site_power_source,
    count(*) filter (
        where lead_cell_temp_min_degc is not null and ambient_degc is not null
        and soc_start_pct is not null and energy_kwh is not null
    ) as stops_n,
    median(ambient_degc) as outside_degc,
    median(lead_cell_temp_min_degc) as pack_degc,
    median(soc_start_pct) as soc_start_pct,
    median(energy_kwh) as energy_kwh,
    median(approach_min) as approach_min
from advice_stops
where site_id is not null
group by site_id, model_id
order by site_id, model_id
