-- edition_row: one row: what the edition in the weekly tables says of the whole fleet.
-- Inputs: weekly_fleet, weekly_vehicles. Parameters: none.
select
    stops_n,
    rated_n,
    needed_warming_n,
    warmed_n,
    part_warmed_n,
    not_warmed_n,
    already_warm_n,
    unknown_n,
    cold_arrival_n,
    hit_rate,
    start_rate,
    lost_min,
    lost_cold_min,
    lost_site_min,
    lost_unexplained_min,
    avoidable_min,
    net_saved_min,
    warming_kwh,
    warming_cost,
    idle_warming_kwh,
    range_given_up_km,
    worth_cash,
    (select count(*) from weekly_vehicles where is_silent) as silent_n
from weekly_fleet
where is_edition
