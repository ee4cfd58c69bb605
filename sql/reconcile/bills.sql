-- bills: one row per charge billed with a sum that began within the window.
-- Inputs: reported_sessions, files, samples, stops, vehicle_settings, fleet_sites.
-- Parameters: window_from_at, window_to_at (half-open), zone.
-- is_second_report: another source told of the same charge before, which is no second bill.
-- is_vehicle_heard: the vehicle sent a sample within the time billed, or a quarter of an hour
-- before or after. A place is a site of the fleet's, by position or by name, or none.
with told as (
    select
        r.*,
        f.source_id,
        row_number() over (
            order by r.vehicle_id, r.plug_in_at, r.plug_out_at, r.file_id, r.file_row
        ) as bill_no,
        epoch(r.plug_out_at - r.plug_in_at) as stay_s
    from reported_sessions as r
    inner join files as f on r.file_id = f.file_id
    where
        r.total_cost is not null
        and r.plug_in_at >= $window_from_at
        and r.plug_in_at < $window_to_at
),

second_reports as (
    select distinct later.bill_no
    from told as later
    inner join told as earlier
        on later.vehicle_id = earlier.vehicle_id
        and later.source_id > earlier.source_id
        and later.plug_in_at < earlier.plug_out_at
        and later.plug_out_at > earlier.plug_in_at
    where
        epoch(
            least(later.plug_out_at, earlier.plug_out_at)
            - greatest(later.plug_in_at, earlier.plug_in_at)
        ) >= 0.5 * least(later.stay_s, earlier.stay_s)
),

distances as (
    select
        t.bill_no,
        s.site_id,
        s.radius_m,
        distance_m(t.latitude_deg, t.longitude_deg, s.latitude_deg, s.longitude_deg)
            as distance_m
    from told as t
    cross join fleet_sites as s
    where t.latitude_deg is not null and s.latitude_deg is not null
),

nearest as (
    select
        bill_no,
        arg_min(site_id, distance_m) as site_id
    from distances
    where distance_m <= radius_m
    group by bill_no
),

heard as (
    select t.bill_no
    from told as t
    inner join samples as m
        on t.vehicle_id = m.vehicle_id
        and m.sampled_at between t.plug_in_at - interval 15 minute
        and t.plug_out_at + interval 15 minute
    -- Of years of samples only those about the window are looked at.
    where
        m.sampled_at >= $window_from_at - interval 1 hour
        and m.sampled_at < $window_to_at + interval 1 day
    group by t.bill_no
),

uses as (
    select
        t.bill_no,
        any_value(s.vehicle_use) as vehicle_use
    from told as t
    inner join stops as s on t.vehicle_id = s.vehicle_id and t.plug_in_at = s.plug_in_at
    group by t.bill_no
)

select
    t.vehicle_id,
    t.plug_in_at,
    t.plug_out_at,
    coalesce(n.site_id, named.site_id) as site_id,
    t.meter_energy_kwh as billed_kwh,
    t.total_cost as billed_cost,
    t.parking_min,
    t.power_max_kw,
    t.charge_mode,
    t.record_id,
    t.source_id,
    t.file_id as bill_file_id,
    t.file_row as bill_file_row,
    coalesce(u.vehicle_use, v.vehicle_use, 'delivery') as vehicle_use,
    x.bill_no is not null as is_second_report,
    h.bill_no is not null as is_vehicle_heard,
    -- A bill that knows only the day runs from midnight to midnight.
    strftime(timezone($zone, t.plug_in_at), '%H%M%S') = '000000'
    and (
        t.plug_out_at = t.plug_in_at
        or strftime(timezone($zone, t.plug_out_at), '%H%M%S') = '000000'
    ) as is_day_only
from told as t
left join second_reports as x on t.bill_no = x.bill_no
left join nearest as n on t.bill_no = n.bill_no
left join fleet_sites as named on t.site_id = named.site_id
left join heard as h on t.bill_no = h.bill_no
left join uses as u on t.bill_no = u.bill_no
left join vehicle_settings as v on t.vehicle_id = v.vehicle_id
order by t.bill_no
