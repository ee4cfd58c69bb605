-- model_warmings: one row per spell of warming on the way to a charge, long enough to hold the card
-- against: how long the heater took from one temperature to another.
-- Inputs: approach_spells, stops, vehicle_settings.
-- Parameters: week_ids (list), least_spell_min, least_rise_kelvin.
-- Rises of a few kelvin tell little, since temperatures come in whole degrees. The spell's current
-- is taken to be the mean from the start of warming to plug-in.
select
    v.model_id,
    a.spell_min,
    a.cell_temp_start_degc,
    a.cell_temp_end_degc,
    s.ambient_degc,
    a.steady_heater_kw as heater_power_kw,
    coalesce(s.warming_current2_a2s / nullif(s.warming_before_min * 60, 0), 0) as drive_i2_a2
from approach_spells as a
inner join vehicle_settings as v on a.vehicle_id = v.vehicle_id
inner join stops as s on a.vehicle_id = s.vehicle_id and a.plug_in_at = s.plug_in_at
where
    v.model_id is not null
    and a.week_id in (select unnest($week_ids::varchar[]))
    and a.steady_heater_kw is not null
    and s.ambient_degc is not null
    and a.spell_min >= $least_spell_min
    and a.cell_temp_end_degc - a.cell_temp_start_degc >= $least_rise_kelvin
order by v.model_id, a.vehicle_id, a.began_at
