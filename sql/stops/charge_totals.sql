-- charge_totals: one row per charge: energy, minutes by state, charge at both ends.
-- Inputs: stop_intervals, stop_samples.
-- Parameters: none.
with minutes as (
    select
        vehicle_id,
        charge_no,
        sum(step_s) filter (where state in ('active', 'held')) / 60 as active_min,
        sum(step_s) filter (where state = 'held') / 60 as held_min,
        sum(step_s) filter (where state = 'idle') / 60 as idle_min,
        sum(step_s) filter (where state = 'missing') / 60 as missing_min,
        sum(pack_kwh) filter (where state in ('active', 'held')) as energy_kwh,
        sum(heater_kwh) as plug_heating_kwh
    from stop_intervals
    where is_at_plug
    group by vehicle_id, charge_no
),

ends as (
    select
        vehicle_id,
        charge_no,
        arg_min(soc_pct, sampled_at) as soc_start_pct,
        arg_max(soc_pct, sampled_at) as soc_end_pct,
        max(pack_power_kw) as power_max_kw,
        bool_or(charge_mode = 'dc') as is_dc_said,
        bool_or(charge_mode = 'ac') as is_ac_said,
        mode(site_id) as site_said,
        avg(latitude_deg) as latitude_deg,
        avg(longitude_deg) as longitude_deg,
        arg_min(cell_temp_min_degc, sampled_at)
        filter (where sampled_at <= plug_in_at + interval 2 minute) as plug_cell_temp_min_degc,
        avg(ambient_degc) as ambient_degc,
        count(cell_temp_min_degc) > 0 as has_cell_temp,
        count(heater_power_kw) + count(is_conditioning) > 0 as has_heater_signal,
        count(pack_power_kw) > 0 as has_power,
        arg_min(file_id, sampled_at) as first_file_id,
        arg_min(file_row, sampled_at) as first_file_row,
        arg_max(file_row, sampled_at) as last_file_row
    from stop_samples
    where is_at_plug
    group by vehicle_id, charge_no
)

select
    c.vehicle_id,
    c.charge_no,
    c.plug_in_at,
    c.plug_out_at,
    c.previous_plug_in_at,
    coalesce(m.active_min, 0) as active_min,
    coalesce(m.held_min, 0) as held_min,
    coalesce(m.idle_min, 0) as idle_min,
    coalesce(m.missing_min, 0) as missing_min,
    m.energy_kwh,
    m.plug_heating_kwh,
    e.* exclude (vehicle_id, charge_no)
from charge_spans as c
inner join minutes as m on c.vehicle_id = m.vehicle_id and c.charge_no = m.charge_no
inner join ends as e on c.vehicle_id = e.vehicle_id and c.charge_no = e.charge_no
