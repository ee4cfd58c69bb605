-- spell_facts: one row per warming spell on the approach to a stop of the scope: what the vehicle
-- itself did, from which its habits are learned.
-- Inputs: warming_spells, stop_intervals, stop_outcomes. Parameters: spell_edge_s.
-- steady_heater_kw is the median of the heater's power without spell_edge_s at both ends; null
-- where only a state is exported. cell_temp_end_degc and soc_end_pct are read at the end.
select
    w.vehicle_id,
    o.week_id,
    o.plug_in_at,
    w.spell_no::integer as spell_no,
    w.began_at,
    w.spell_min,
    epoch(o.plug_in_at - w.ended_at) / 60 as before_plug_in_min,
    median(i.heater_kwh * 3600 / i.step_s) filter (
        where
        i.state = 'warming'
        and not i.is_heater_estimated
        and epoch(i.from_at - w.began_at) >= $spell_edge_s
        and epoch(w.ended_at - i.to_at) >= $spell_edge_s
    ) as steady_heater_kw,
    w.began_cell_temp_min_degc as cell_temp_start_degc,
    arg_max(i.cell_temp_min_degc, i.from_at) as cell_temp_end_degc,
    arg_max(i.soc_pct, i.from_at) as soc_end_pct
from warming_spells as w
inner join stop_outcomes as o on w.vehicle_id = o.vehicle_id and w.charge_no = o.charge_no
inner join stop_intervals as i
    on w.vehicle_id = i.vehicle_id
    and w.charge_no = i.charge_no
    and w.began_at <= i.from_at
    and w.ended_at >= i.from_at
group by
    w.vehicle_id,
    o.week_id,
    o.plug_in_at,
    w.spell_no,
    w.began_at,
    w.ended_at,
    w.spell_min,
    w.began_cell_temp_min_degc
