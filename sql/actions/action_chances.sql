-- action_chances: one row per action of an edition, looked back on from a later week. chances_n
-- counts the stops since that can tell what became of it, good_n those of them that went as the
-- action asked, clusters_n their drivers (vehicles where none is known); chances_before_n and
-- good_before_n the same of the weeks that the edition looked at.
-- vehicle_did_not_respond: stops where warming began, or should have and did not.
-- vehicle_never_warmed: stops where warming was expected; good where it began.
-- site_destination_not_recognised: stops with a destination known as a charging place, or set and
-- not known as one.
-- site_slow, site_held_back: stops split by cause; good where that took less than spared_min.
-- most_minutes_*: stops where warming was expected; good where it was in time.
-- Inputs: edition_actions, judged_stops, weekly_vehicles, fleet_sites. Parameters: week_id,
-- listed_week_id, week_ids_before (list, the edition's own among them), spared_min.
with listed as (
    select *
    from edition_actions
    where week_id = $listed_week_id
),

stops_seen as (
    select
        a.action_no,
        s.week_id > a.week_id as is_since,
        coalesce('driver ' || s.driver_id, 'vehicle ' || s.vehicle_id) as cluster_id,
        case
            when a.code = 'vehicle_did_not_respond' and s.why = 'vehicle_did_not_respond' then false
            when a.code = 'vehicle_did_not_respond'
                then case
                    when s.outcome in ('warmed', 'part_warmed', 'warmed_unneeded') then true
                end
            when a.code = 'vehicle_never_warmed'
                then case when s.is_expected then s.outcome in ('warmed', 'part_warmed') end
            when
                a.code = 'site_destination_not_recognised'
                and s.why = 'destination_not_recognised'
                then false
            when a.code = 'site_destination_not_recognised'
                then case when s.is_charging_place then true end
            when a.code = 'site_slow' then s.lost_site_min < $spared_min
            when a.code = 'site_held_back' then s.held_back_min < $spared_min
            when a.code in ('most_minutes_vehicle', 'most_minutes_site')
                then case when s.is_expected then s.outcome = 'warmed' end
        end as is_good
    from listed as a
    inner join judged_stops as s
        on
        (
            (a.week_id < s.week_id and s.week_id <= $week_id)
            or s.week_id in (select unnest($week_ids_before::varchar[]))
        )
        and case a.kind when 'vehicle' then s.vehicle_id else s.site_id end = a.subject_id
),

counted as (
    select
        action_no,
        count(*) filter (where is_since) as stops_n,
        count(is_good) filter (where is_since) as chances_n,
        count(*) filter (where is_since and is_good) as good_n,
        count(distinct cluster_id) filter (where is_since and is_good is not null) as clusters_n,
        count(is_good) filter (where not is_since) as chances_before_n,
        count(*) filter (where not is_since and is_good) as good_before_n
    from stops_seen
    group by action_no
)

select
    a.week_id as listed_week_id,
    a.action_no,
    a.kind,
    a.subject_id,
    coalesce(v.vehicle_name, p.site_name, a.subject_id) as subject_name,
    a.code,
    a.avoidable_min,
    v.is_configured,
    v.is_silent,
    coalesce(c.stops_n, 0) as stops_n,
    coalesce(c.chances_n, 0) as chances_n,
    coalesce(c.good_n, 0) as good_n,
    coalesce(c.clusters_n, 0) as clusters_n,
    coalesce(c.chances_before_n, 0) as chances_before_n,
    coalesce(c.good_before_n, 0) as good_before_n
from listed as a
left join counted as c on a.action_no = c.action_no
left join weekly_vehicles as v on a.kind = 'vehicle' and a.subject_id = v.vehicle_id
left join fleet_sites as p on a.kind = 'site' and a.subject_id = p.site_id
order by a.action_no
