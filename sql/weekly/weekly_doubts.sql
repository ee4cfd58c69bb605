-- weekly_doubts: one row per vehicle of the week with a signal that failed a test of plausibility
-- and was not used. Inputs: doubted_signals, vehicle_settings. Parameters: week_id, zone.
-- Documents tell the days, never the instants, which may be those of a rental.
select
    d.vehicle_id,
    v.vehicle_name,
    d.signal,
    d.doubt,
    d.evidence_kelvin,
    d.evidence_h,
    d.evidence_n,
    d.from_at,
    d.to_at,
    timezone($zone, d.from_at)::date as from_date,
    timezone($zone, d.to_at)::date as to_date
from doubted_signals as d
left join vehicle_settings as v on d.vehicle_id = v.vehicle_id
where d.week_id = $week_id
order by v.vehicle_name, d.vehicle_id, d.signal
