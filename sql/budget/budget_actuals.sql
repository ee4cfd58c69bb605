-- budget_actuals: one row per local day and vehicle with the quantities of the budget as they came.
-- Inputs: judged_stops. Parameters: zone, history_from_at, history_to_at (half-open).
-- Sums pass over stops whose figure is not known; unknown_n counts those without cold minutes, so
-- that whoever compares can say what is missing.
select
    s.vehicle_id,
    cast(s.plug_in_at at time zone $zone as date) as local_day,
    cast(count(*) as double) as stops_n,
    cast(count(*) filter (
        where s.outcome in ('warmed', 'part_warmed', 'not_warmed', 'low_charge_hold')
    ) as double) as needed_n,
    cast(count(*) filter (where s.outcome = 'warmed') as double) as warmed_n,
    coalesce(sum(s.warming_kwh), 0) as warming_kwh,
    coalesce(sum(s.range_given_up_km), 0) as range_given_up_km,
    coalesce(sum(s.lost_cold_min), 0) as cold_min,
    coalesce(sum(s.warming_cost), 0) as warming_cost,
    coalesce(sum(s.cold_fees), 0) as cold_fees,
    coalesce(sum(s.warming_cost), 0) + coalesce(sum(s.cold_fees), 0) as cost,
    cast(count(*) filter (where s.lost_cold_min is null) as double) as unknown_n
from judged_stops as s
where s.plug_in_at >= $history_from_at and s.plug_in_at < $history_to_at
group by s.vehicle_id, local_day
order by s.vehicle_id, local_day
