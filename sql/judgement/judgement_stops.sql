-- judgement_stops: one row per fast-charge stop of the weeks that are judged, with what its
-- outcome is to be judged by. A rental never has a driver, whatever the spans say.
-- Inputs: judged_stops, vehicle_settings. Parameters: zone, judged_first_week_id,
-- judged_last_week_id (ISO weeks, both included).
with local_times as (
    select
        stop_id,
        (plug_in_at at time zone $zone)::time as local_time
    from judged_stops
)

select
    s.stop_id,
    s.vehicle_id,
    case when s.vehicle_use != 'rental' then s.driver_id end as driver_id,
    s.site_id,
    s.plug_in_at,
    extract('hour' from t.local_time) + extract('minute' from t.local_time) / 60.0 as local_h,
    s.ambient_degc,
    s.approach_min,
    s.outcome,
    s.why,
    s.is_expected,
    s.expected_why_not,
    v.can_warm,
    s.lost_cold_min,
    s.avoidable_min,
    s.missed_valued_min,
    s.missed_worth_cash,
    s.missed_worth_time
from judged_stops as s
inner join local_times as t on s.stop_id = t.stop_id
left join vehicle_settings as v on s.vehicle_id = v.vehicle_id
where s.week_id between $judged_first_week_id and $judged_last_week_id
order by s.plug_in_at, s.stop_id
