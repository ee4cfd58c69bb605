-- budget_starts: one row per stop that needed warming and could have had it, with whether it was
-- begun and what share of the time there was it had.
-- Inputs: judged_stops, vehicle_settings.
-- Parameters: zone, lead_window_min, history_from_at, history_to_at (half-open).
-- Held for low charge is nobody's miss (method, section 4) and is left out, as are vehicles that
-- cannot warm and approaches too short to begin in.
select
    s.vehicle_id,
    cast(s.plug_in_at at time zone $zone as date) as local_day,
    s.outcome in ('warmed', 'part_warmed') as is_started,
    case
        when
            s.outcome in ('warmed', 'part_warmed')
            and s.lead_min > 0
            and s.warming_before_min is not null
            then least(s.warming_before_min / least(s.lead_min, $lead_window_min), 1.0)
    end as share
from judged_stops as s
inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
where
    s.outcome in ('warmed', 'part_warmed', 'not_warmed')
    and s.evidence_grade in ('A', 'B')
    and coalesce(v.can_warm, true)
    and coalesce(s.lead_above_cutoff_min, s.lead_min) >= v.min_lead_min
    and s.plug_in_at >= $history_from_at
    and s.plug_in_at < $history_to_at
order by s.vehicle_id, s.plug_in_at
