-- seen_charges: one row per charge that samples of the vehicle show, plugged in within the window.
-- Inputs: charge_sessions, stops, vehicle_settings.
-- Parameters: window_from_at, window_to_at (half-open).
select
    c.vehicle_id,
    c.plug_in_at,
    c.plug_out_at,
    c.week_id,
    c.mode,
    c.site_id,
    c.energy_kwh,
    c.power_max_kw,
    s.stop_id,
    coalesce(s.vehicle_use, v.vehicle_use, 'delivery') as vehicle_use,
    s.idle_min,
    s.missing_min
from charge_sessions as c
left join stops as s
    on c.vehicle_id = s.vehicle_id
    and c.plug_in_at = s.plug_in_at
    and c.plug_out_at = s.plug_out_at
left join vehicle_settings as v on c.vehicle_id = v.vehicle_id
where
    not c.is_reported_only
    and c.plug_in_at >= $window_from_at
    and c.plug_in_at < $window_to_at
order by c.vehicle_id, c.plug_in_at, c.plug_out_at
