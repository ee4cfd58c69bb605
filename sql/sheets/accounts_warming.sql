-- accounts_warming: one row per period with fast-charge stops: what warming took and cost, and the
-- minutes that cold took. Sums are null where no stop has the figure.
-- Inputs: judged_stops, accounts_periods. Parameters: none.
-- Time has a value and no cost: worth_time and missed_worth_time are never added to money.
select
    p.period,
    count(*) as stops_n,
    count(s.warming_kwh) filter (where s.warming_kwh > 0) as warmings_n,
    sum(s.warming_kwh) as warming_kwh,
    sum(s.warming_cost) as warming_cost,
    count(*) filter (where s.is_warming_kwh_estimated and s.warming_kwh > 0)
        as warmings_estimated_n,
    count(*) filter (where s.is_price_assumed and s.warming_kwh > 0) as warmings_assumed_n,
    sum(s.plug_heating_kwh) as plug_heating_kwh,
    count(s.lost_cold_min) as judged_n,
    sum(s.lost_cold_min) as lost_cold_min,
    sum(s.avoidable_min) as avoidable_min,
    sum(s.net_saved_min) as net_saved_min,
    sum(s.worth_time) as worth_time,
    sum(s.missed_worth_time) as missed_worth_time
from judged_stops as s
inner join accounts_periods as p on s.plug_in_at >= p.from_at and s.plug_in_at < p.to_at
group by p.period
