-- accounts_totals: one row per period with charges: sums over its charges, and on how many local
-- days there was one.
-- Inputs: accounts_charges. Parameters: zone.
select
    period,
    count(*) as charges_n,
    count(distinct timezone($zone, plug_in_at)::date) as days_n,
    sum(priced_kwh) as energy_kwh,
    sum(total_cost) as total_cost,
    sum(total_cost) filter (where cost_source = 'invoice') as billed_cost,
    sum(total_cost) filter (where cost_source != 'invoice') as estimated_cost,
    -- Per kWh from charges that have both figures.
    sum(total_cost) filter (where priced_kwh > 0)
    / nullif(sum(priced_kwh) filter (where total_cost is not null), 0) as price_per_kwh
from accounts_charges
group by period
