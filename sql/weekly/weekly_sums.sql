-- weekly_sums: one row per week and group of DC stops; grouping is 'fleet', 'vehicle', 'site' or
-- 'driver'. Null sums mean that no stop of the group has the figure.
-- Inputs: stops, vehicle_settings. Parameters: week_ids (list).
with judged as (
    select
        s.*,
        s.outcome in ('warmed', 'part_warmed', 'not_warmed') as is_needed,
        s.arrival_cell_temp_min_degc < v.warm_threshold_degc - v.warm_tolerance_kelvin
            as is_cold_arrival,
        coalesce(s.driver_id, '') as driver_key,
        coalesce(s.site_id, '') as site_key
    from stops as s
    inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
    where s.week_id in (select unnest($week_ids::varchar[]))
)

select
    case
        when grouping(vehicle_id) = 0 then 'vehicle'
        when grouping(site_key) = 0 then 'site'
        when grouping(driver_key) = 0 then 'driver'
        else 'fleet'
    end as grouped_by,
    week_id,
    vehicle_id,
    site_key,
    driver_key,
    count(distinct vehicle_id) as vehicles_n,
    count(*) as stops_n,
    count(*) filter (where evidence_grade in ('A', 'B')) as rated_n,
    count(*) filter (where is_needed) as needed_warming_n,
    count(*) filter (where outcome = 'warmed') as warmed_n,
    count(*) filter (where outcome = 'part_warmed') as part_warmed_n,
    count(*) filter (where outcome = 'not_warmed') as not_warmed_n,
    count(*) filter (where outcome = 'already_warm') as already_warm_n,
    count(*) filter (where outcome = 'warmed_unneeded') as warmed_unneeded_n,
    count(*) filter (where outcome = 'low_charge_hold') as low_charge_hold_n,
    count(*) filter (where outcome = 'unknown') as unknown_n,
    count(*) filter (where is_cold_arrival) as cold_arrival_n,
    sum(lost_min) as lost_min,
    count(lost_min) as lost_stops_n,
    sum(lost_min) filter (where is_cold_arrival) as lost_cold_arrival_min,
    sum(lost_min) filter (where not is_cold_arrival) as lost_warm_arrival_min,
    sum(lost_min) filter (where is_cold_arrival is null) as lost_unknown_arrival_min,
    count(lost_min) filter (where is_cold_arrival) as lost_cold_stops_n,
    sum(lost_at_most_min) as lost_at_most_min,
    count(lost_at_most_min) as lost_at_most_stops_n,
    sum(site_limit_min) as site_limit_min,
    sum(active_min) as active_min,
    sum(idle_min) as idle_min,
    sum(held_min) as held_min,
    sum(energy_kwh) as energy_kwh,
    sum(warming_min) as warming_min,
    sum(warming_kwh) as warming_kwh,
    sum(warming_cost) as warming_cost,
    count(*) filter (
        where outcome in ('warmed', 'part_warmed', 'warmed_unneeded') and warming_kwh is null
    ) as warming_unmeasured_n,
    sum(range_given_up_km) as range_given_up_km,
    sum(plug_heating_kwh) as plug_heating_kwh,
    avg(arrival_cell_temp_min_degc) as mean_arrival_cell_temp_min_degc,
    count(*) filter (where evidence_grade = 'A') as stops_a_n,
    count(*) filter (where evidence_grade = 'B') as stops_b_n,
    count(*) filter (where evidence_grade = 'C') as stops_c_n,
    count(*) filter (where evidence_grade = 'D') as stops_d_n,
    count(*) filter (where evidence_grade = 'E') as stops_e_n,
    count(*) filter (where driver_key = '' and vehicle_use != 'rental') as unassigned_driver_n,
    count(*) filter (where vehicle_use = 'rental') as rental_n,
    sum(figures_assumed_n) / nullif(sum(figures_n), 0) as assumed_rate
from judged
group by grouping sets (
    (week_id), (week_id, vehicle_id), (week_id, site_key), (week_id, driver_key)
)
