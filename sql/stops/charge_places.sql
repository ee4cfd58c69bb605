-- charge_places: one row per charge with the site it was at: the nearest configured site within
-- its radius, else the name the export gives, else the vehicle's default where the export gives
-- neither name nor position.
-- Inputs: charge_totals, fleet_sites, vehicle_settings.
-- Parameters: none.
with distances as (
    select
        t.vehicle_id,
        t.charge_no,
        s.site_id,
        s.radius_m,
        distance_m(t.latitude_deg, t.longitude_deg, s.latitude_deg, s.longitude_deg)
            as distance_m
    from charge_totals as t
    cross join fleet_sites as s
    where t.latitude_deg is not null and s.latitude_deg is not null
),

nearest as (
    select
        vehicle_id,
        charge_no,
        arg_min(site_id, distance_m) as site_id
    from distances
    where distance_m <= radius_m
    group by vehicle_id, charge_no
),

placed as (
    select
        t.vehicle_id,
        t.charge_no,
        coalesce(
            n.site_id,
            t.site_said,
            case when t.latitude_deg is null then v.default_site_id end
        ) as site_id
    from charge_totals as t
    inner join vehicle_settings as v on t.vehicle_id = v.vehicle_id
    left join nearest as n on t.vehicle_id = n.vehicle_id and t.charge_no = n.charge_no
)

select
    p.vehicle_id,
    p.charge_no,
    p.site_id,
    s.power_kw as site_power_kw,
    s.mode as site_mode
from placed as p
left join fleet_sites as s on p.site_id = s.site_id
