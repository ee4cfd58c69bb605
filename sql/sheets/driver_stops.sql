-- driver_stops: one row per fast-charge stop of a driver in the weeks of the driver sheets, with
-- what it says about the warming. A rental never has a driver, whatever its rows say.
-- Inputs: judged_stops, vehicle_settings, fleet_sites. Parameters: week_ids (list), zone.
-- verdict: went_well (warmed, or begun in time), sooner (begun, but late or ended early), missed
-- (never begun for want of a destination in time), explained (does not count, see reason). Only
-- the first three count, and only where warming was possible and worth it. What the vehicle, the
-- place, the frost or a low charge decided does not count against anybody.
with judged as (
    select
        s.driver_id,
        s.week_id,
        v.model_id,
        s.site_id,
        coalesce(f.site_name, s.site_id) as site_name,
        timezone($zone, s.plug_in_at) as plug_in_local,
        s.outcome,
        s.why,
        s.expected_why_not,
        s.net_saved_min,
        s.net_missed_min,
        coalesce(s.is_expected, false) as is_expected
    from judged_stops as s
    inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
    left join fleet_sites as f on s.site_id = f.site_id
    where
        s.driver_id is not null
        and s.vehicle_use != 'rental'
        and s.week_id in (select unnest($week_ids::varchar[]))
),

ruled as (
    select
        *,
        case
            when not is_expected then 'explained'
            when outcome = 'warmed' then 'went_well'
            when outcome = 'part_warmed' and why = 'too_cold_for_the_time' then 'went_well'
            when outcome = 'part_warmed' and why in ('began_late', 'ended_early') then 'sooner'
            when outcome = 'not_warmed' and why in ('no_destination', 'set_too_late') then 'missed'
            else 'explained'
        end as verdict
    from judged
)

select
    driver_id,
    week_id,
    model_id,
    site_id,
    site_name,
    plug_in_local,
    outcome,
    verdict,
    case
        when verdict in ('sooner', 'missed') then why
        when verdict = 'explained' and outcome = 'unknown' then 'unknown'
        when verdict = 'explained' and outcome in ('already_warm', 'warmed_unneeded')
            then 'already_warm'
        when verdict = 'explained' and outcome = 'warmed' then 'warmed_little_gain'
        when verdict = 'explained' and not is_expected then coalesce(expected_why_not, 'unknown')
        when verdict = 'explained' then coalesce(why, 'no_evidence')
    end as reason,
    net_saved_min,
    net_missed_min
from ruled
order by driver_id, plug_in_local, site_id, outcome
