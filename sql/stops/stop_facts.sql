-- stop_facts: one row per charge seen in the samples, with all that its outcome is drawn from.
-- Inputs: charge_totals, charge_places, strong_charges, approach_totals, unseen_starts,
-- destinations, warming_chances, approach_people, vehicle_settings, use_spans, scope.
-- Parameters: zone, min_session_kwh, held_stop_min, warming_min_kwh.
-- Only charges plugged in within the weeks of the scope, and of at least min_session_kwh, or held
-- cold at the plug for held_stop_min: who gives up waiting has lost the minutes all the same.
with uses as (
    select
        t.vehicle_id,
        t.charge_no,
        arg_max(u.use, u.from_at) as use
    from charge_totals as t
    inner join use_spans as u
        on t.vehicle_id = u.vehicle_id
        and t.plug_in_at >= u.from_at
        and t.plug_in_at < u.to_at
    group by t.vehicle_id, t.charge_no
)

select
    t.vehicle_id,
    t.charge_no,
    t.plug_in_at,
    t.plug_out_at,
    c.week_id,
    case
        when t.is_dc_said or p.site_mode = 'dc' then 'dc'
        when g.charge_no is not null then 'dc'
        when t.is_ac_said or p.site_mode = 'ac' then 'ac'
        else 'dc_unknown'
    end as mode,
    p.site_id,
    p.site_power_kw,
    w.driver_id,
    coalesce(u.use, w.span_use, v.vehicle_use) as vehicle_use,
    t.soc_start_pct,
    t.soc_end_pct,
    t.energy_kwh,
    t.power_max_kw,
    t.active_min,
    t.held_min,
    t.idle_min,
    t.missing_min,
    t.plug_heating_kwh,
    t.has_power,
    coalesce(t.plug_cell_temp_min_degc, a.last_cell_temp_min_degc) as arrival_cell_temp_min_degc,
    coalesce(a.ambient_degc, t.ambient_degc) as ambient_degc,
    a.approach_start_at,
    a.lead_start_at,
    a.approach_min,
    a.lead_min,
    a.approach_missing_min,
    n.charge_no is null and a.lead_missing_min <= 0.25 * a.lead_min as is_approach_covered,
    a.lead_cell_temp_min_degc,
    a.lead_above_cutoff_min,
    a.lead_current2_a2s,
    a.warming_current2_a2s,
    a.unheated_current2_a2s,
    a.has_heater_signal or (t.has_heater_signal and a.approach_min < 1) as has_heater_signal,
    a.warming_min,
    a.warming_kwh,
    a.is_warming_kwh_estimated,
    a.warming_began_at,
    a.warming_ended_at,
    a.began_cell_temp_min_degc,
    d.destination_kind,
    d.destination_set_at,
    h.chance_soc_max_pct,
    h.chance_min,
    t.first_file_id,
    t.first_file_row,
    t.last_file_row
from charge_totals as t
inner join scope as c
    on t.vehicle_id = c.vehicle_id
    and t.plug_in_at >= c.from_at
    and t.plug_in_at < c.to_at
inner join vehicle_settings as v on t.vehicle_id = v.vehicle_id
inner join charge_places as p on t.vehicle_id = p.vehicle_id and t.charge_no = p.charge_no
inner join approach_totals as a on t.vehicle_id = a.vehicle_id and t.charge_no = a.charge_no
left join strong_charges as g on t.vehicle_id = g.vehicle_id and t.charge_no = g.charge_no
left join unseen_starts as n on t.vehicle_id = n.vehicle_id and t.charge_no = n.charge_no
left join destinations as d on t.vehicle_id = d.vehicle_id and t.charge_no = d.charge_no
left join warming_chances as h on t.vehicle_id = h.vehicle_id and t.charge_no = h.charge_no
left join approach_people as w on t.vehicle_id = w.vehicle_id and t.charge_no = w.charge_no
left join uses as u on t.vehicle_id = u.vehicle_id and t.charge_no = u.charge_no
where t.energy_kwh >= $min_session_kwh or t.held_min >= $held_stop_min
