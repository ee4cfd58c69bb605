-- weekly_sums: one row per week and group of DC stops; grouping is 'fleet', 'vehicle', 'site' or
-- 'driver'. Null sums mean that no stop of the group has the figure.
-- Inputs: judged_stops, vehicle_settings. Parameters: week_ids (list).
with judged as (
    select
        s.*,
        s.outcome in ('warmed', 'part_warmed', 'not_warmed') as is_needed,
        s.arrival_cell_temp_min_degc < v.warm_threshold_degc - v.warm_tolerance_kelvin
            as is_cold_arrival,
        coalesce(s.driver_id, '') as driver_key,
        coalesce(s.site_id, '') as site_key
    from judged_stops as s
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
    count(distinct coalesce('driver ' || driver_id, 'vehicle ' || vehicle_id)) filter (
        where is_needed
    ) as clusters_n,
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
    sum(lost_cold_min) as lost_cold_min,
    sum(lost_site_min) as lost_site_min,
    sum(lost_unexplained_min) as lost_unexplained_min,
    sum(held_back_min) as held_back_min,
    sum(excess_min) filter (where lost_cold_min is not null) as split_excess_min,
    sum(excess_min) filter (where lost_cold_min is null) as unsplit_excess_min,
    count(lost_cold_min) as split_stops_n,
    sum(avoidable_min) as avoidable_min,
    sum(unavoidable_min) as unavoidable_min,
    count(*) filter (where is_expected) as expected_n,
    count(*) filter (where is_expected and outcome in ('warmed', 'part_warmed'))
        as expected_started_n,
    count(*) filter (where is_expected and avoidable_min > 0) as avoidable_stops_n,
    sum(unwarmed_cold_min) as unwarmed_cold_min,
    sum(net_saved_min) as net_saved_min,
    count(net_saved_min) as saved_stops_n,
    sum(net_missed_min) as net_missed_min,
    sum(refill_min) as refill_min,
    sum(marginal_cost) as marginal_cost,
    sum(cold_fees) as cold_fees,
    sum(valued_min) as valued_min,
    sum(worth_cash) as worth_cash,
    sum(worth_time) as worth_time,
    sum(missed_valued_min) as missed_valued_min,
    sum(missed_worth_cash) as missed_worth_cash,
    sum(missed_worth_time) as missed_worth_time,
    -- What the minutes saved cost in cash: the value of an hour at which warming pays.
    case when sum(net_saved_min) > 0 then greatest(-sum(worth_cash), 0) end
    / sum(net_saved_min) * 60 as break_even_per_hour,
    sum(warming_kwh) filter (where outcome = 'warmed_unneeded') as unneeded_kwh,
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
