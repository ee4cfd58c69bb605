-- window_steps: one row per charge step of the stops in the window, in the order of stop and time.
-- Inputs: charge_steps, window_stops. Parameters: none.
select
    s.stop_no,
    c.step_no,
    c.step_min,
    c.pack_kwh,
    c.heater_kwh,
    c.soc_mid_pct,
    c.cell_temp_min_degc,
    c.is_held,
    c.is_ramp
from charge_steps as c
inner join window_stops as s on c.vehicle_id = s.vehicle_id and c.plug_in_at = s.plug_in_at
order by s.stop_no, c.step_no
