-- reported_stops: one row per charge known only from a session summary (grade D with charge in
-- and out, E without). A summary of a charge that the samples show too is left to the samples.
-- Inputs: reported_sessions, scope, charge_totals, fleet_sites, vehicle_settings, use_spans,
-- driver_spans. Parameters: charging_efficiency.
-- Energy into the pack is meter energy times the charging efficiency.
with wanted as (
    select
        r.*,
        c.week_id,
        row_number() over (
            partition by r.vehicle_id order by r.plug_in_at, r.plug_out_at, r.file_row
        ) as report_no
    from reported_sessions as r
    inner join scope as c
        on r.vehicle_id = c.vehicle_id
        and r.plug_in_at >= c.from_at
        and r.plug_in_at < c.to_at
),

seen as (
    select distinct
        w.vehicle_id,
        w.report_no
    from wanted as w
    inner join charge_totals as t
        on w.vehicle_id = t.vehicle_id
        and w.plug_in_at < t.plug_out_at
        and w.plug_out_at > t.plug_in_at
),

distances as (
    select
        w.vehicle_id,
        w.report_no,
        s.site_id,
        s.radius_m,
        distance_m(w.latitude_deg, w.longitude_deg, s.latitude_deg, s.longitude_deg)
            as distance_m
    from wanted as w
    cross join fleet_sites as s
    where w.latitude_deg is not null and s.latitude_deg is not null
),

nearest as (
    select
        vehicle_id,
        report_no,
        arg_min(site_id, distance_m) as site_id
    from distances
    where distance_m <= radius_m
    group by vehicle_id, report_no
),

people as (
    select
        w.vehicle_id,
        w.report_no,
        case when count(distinct coalesce(d.driver_id, '')) = 1 then any_value(d.driver_id) end
            as driver_id,
        arg_max(d.use, d.from_at) as span_use
    from wanted as w
    inner join driver_spans as d
        on w.vehicle_id = d.vehicle_id
        and w.plug_in_at >= d.from_at
        and w.plug_in_at < d.to_at
        and coalesce(d.use != 'break', true)
    group by w.vehicle_id, w.report_no
),

uses as (
    select
        w.vehicle_id,
        w.report_no,
        arg_max(u.use, u.from_at) as use
    from wanted as w
    inner join use_spans as u
        on w.vehicle_id = u.vehicle_id
        and w.plug_in_at >= u.from_at
        and w.plug_in_at < u.to_at
    group by w.vehicle_id, w.report_no
),

placed as (
    select
        w.*,
        coalesce(
            n.site_id,
            w.site_id,
            case when w.latitude_deg is null then v.default_site_id end
        ) as place_id,
        v.ac_max_kw,
        v.vehicle_use as default_use,
        p.driver_id,
        p.span_use,
        u.use as config_use,
        epoch(w.plug_out_at - w.plug_in_at) / 3600 as stay_h
    from wanted as w
    inner join vehicle_settings as v on w.vehicle_id = v.vehicle_id
    left join seen as x on w.vehicle_id = x.vehicle_id and w.report_no = x.report_no
    left join nearest as n on w.vehicle_id = n.vehicle_id and w.report_no = n.report_no
    left join people as p on w.vehicle_id = p.vehicle_id and w.report_no = p.report_no
    left join uses as u on w.vehicle_id = u.vehicle_id and w.report_no = u.report_no
    where x.report_no is null
)

select
    p.vehicle_id,
    p.report_no,
    p.plug_in_at,
    p.plug_out_at,
    p.week_id,
    case
        when p.charge_mode = 'dc' or s.mode = 'dc' then 'dc'
        when
            p.power_max_kw > 1.1 * p.ac_max_kw
            or (p.stay_h > 0 and p.meter_energy_kwh / p.stay_h > 1.1 * p.ac_max_kw)
            then 'dc'
        when p.charge_mode = 'ac' or s.mode = 'ac' then 'ac'
        else 'dc_unknown'
    end as mode,
    p.place_id as site_id,
    s.power_kw as site_power_kw,
    coalesce(p.config_use, p.span_use, p.default_use) as vehicle_use,
    p.driver_id,
    p.soc_start_pct,
    p.soc_end_pct,
    p.meter_energy_kwh * $charging_efficiency as energy_kwh,
    p.power_max_kw,
    p.stay_h * 60 as stay_min,
    case
        when p.soc_start_pct is not null and p.soc_end_pct is not null then 'D'
        else 'E'
    end as evidence_grade,
    p.file_id,
    p.file_row
from placed as p
left join fleet_sites as s on p.place_id = s.site_id
