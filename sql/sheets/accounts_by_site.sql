-- accounts_by_site: one row per charging site of one period, unknown places together: charges,
-- energy into the battery, and cost, billed and estimated apart.
-- Inputs: accounts_charges, fleet_sites. Parameters: period.
-- A sum is null where no charge of the kind has a figure.
select
    c.site_id as subject_id,
    coalesce(f.site_name, c.site_id) as subject_name,
    count(*) as charges_n,
    sum(c.priced_kwh) as energy_kwh,
    sum(c.total_cost) filter (where c.cost_source = 'invoice') as billed_cost,
    sum(c.total_cost) filter (where c.cost_source != 'invoice') as estimated_cost,
    count(*) filter (where c.cost_source = 'invoice') as billed_n,
    count(*) filter (where c.cost_source in ('tariff', 'ocpi_tariff')) as tariff_n,
    count(*) filter (where c.cost_source = 'fleet_price') as fleet_price_n,
    count(*) filter (where c.cost_source = 'assumed') as assumed_n,
    count(*) filter (where c.total_cost is null) as unpriced_n
from accounts_charges as c
left join fleet_sites as f on c.site_id = f.site_id
where c.period = $period
group by c.site_id, f.site_name
order by sum(c.total_cost) desc nulls last, subject_name asc nulls last, subject_id asc nulls last
