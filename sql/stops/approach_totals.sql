-- approach_totals: one row per charge with what its approach showed: cover, temperatures,
-- outside air, warming.
-- Inputs: approach_starts, stop_intervals, warming_spells, vehicle_settings.
-- Parameters: nominal_pack_v.
-- current2_a2s is the integral of pack current squared [A2 s], which is what heats a driven pack;
-- unheated_ is what it would have been since warming began had the heater stayed off.
with spells as (
    select
        vehicle_id,
        charge_no,
        sum(spell_min) as warming_min,
        min(began_at) as began_at,
        max(ended_at) as ended_at,
        arg_min(began_cell_temp_min_degc, began_at) as began_cell_temp_min_degc
    from warming_spells
    group by vehicle_id, charge_no
),

steps as (
    select
        i.vehicle_id,
        i.charge_no,
        sum(i.step_s) filter (where i.state = 'missing') / 60 as approach_missing_min,
        sum(epoch(i.to_at - greatest(i.from_at, a.lead_start_at)))
        filter (where i.state = 'missing' and i.to_at > a.lead_start_at) / 60
            as lead_missing_min,
        sum(i.heater_kwh) filter (where not i.is_heater_estimated) as measured_kwh,
        sum(i.heater_kwh) filter (where i.state = 'warming' and i.is_heater_estimated)
            as estimated_kwh,
        arg_max(i.cell_temp_min_degc, i.from_at)
        filter (where i.from_at >= a.plug_in_at - interval 5 minute)
            as last_cell_temp_min_degc,
        arg_min(i.cell_temp_min_degc, i.from_at)
        filter (where i.from_at >= a.lead_start_at) as lead_cell_temp_min_degc,
        avg(i.ambient_degc) filter (where i.from_at >= a.lead_start_at) as ambient_degc,
        sum(i.step_s) filter (
            where i.from_at >= a.lead_start_at and i.soc_pct > v.warming_cutoff_soc_pct
        ) / 60 as lead_above_cutoff_min,
        count(i.soc_pct) filter (where i.from_at >= a.lead_start_at) as lead_soc_n,
        sum(pow(i.pack_kw * 1000 / $nominal_pack_v, 2) * i.step_s)
        filter (where i.from_at >= a.lead_start_at and i.state != 'missing')
            as lead_current2_a2s,
        sum(pow(i.pack_kw * 1000 / $nominal_pack_v, 2) * i.step_s)
        filter (where i.from_at >= p.began_at and i.state != 'missing')
            as warming_current2_a2s,
        sum(
            pow(
                (i.pack_kw + coalesce(i.heater_kwh * 3600 / nullif(i.step_s, 0), 0))
                * 1000 / $nominal_pack_v, 2
            ) * i.step_s
        )
        filter (where i.from_at >= p.began_at and i.state != 'missing')
            as unheated_current2_a2s,
        bool_or(i.has_heater_signal) as has_heater_signal
    from stop_intervals as i
    inner join approach_starts as a on i.vehicle_id = a.vehicle_id and i.charge_no = a.charge_no
    inner join vehicle_settings as v on i.vehicle_id = v.vehicle_id
    left join spells as p on i.vehicle_id = p.vehicle_id and i.charge_no = p.charge_no
    where not i.is_at_plug
    group by i.vehicle_id, i.charge_no
)

select
    a.vehicle_id,
    a.charge_no,
    a.approach_start_at,
    a.lead_start_at,
    epoch(a.plug_in_at - a.approach_start_at) / 60 as approach_min,
    epoch(a.plug_in_at - a.lead_start_at) / 60 as lead_min,
    coalesce(t.approach_missing_min, 0) as approach_missing_min,
    coalesce(t.lead_missing_min, 0) as lead_missing_min,
    case
        when t.measured_kwh is null and t.estimated_kwh is null then null
        else coalesce(t.measured_kwh, 0) + coalesce(t.estimated_kwh, 0)
    end as warming_kwh,
    coalesce(t.estimated_kwh, 0) > 0 as is_warming_kwh_estimated,
    t.last_cell_temp_min_degc,
    t.lead_cell_temp_min_degc,
    case when t.lead_soc_n > 0 then coalesce(t.lead_above_cutoff_min, 0) end
        as lead_above_cutoff_min,
    t.lead_current2_a2s,
    t.warming_current2_a2s,
    t.unheated_current2_a2s,
    t.ambient_degc,
    coalesce(t.has_heater_signal, false) as has_heater_signal,
    p.warming_min,
    p.began_at as warming_began_at,
    p.ended_at as warming_ended_at,
    p.began_cell_temp_min_degc
from approach_starts as a
left join steps as t on a.vehicle_id = t.vehicle_id and a.charge_no = t.charge_no
left join spells as p on a.vehicle_id = p.vehicle_id and a.charge_no = p.charge_no
