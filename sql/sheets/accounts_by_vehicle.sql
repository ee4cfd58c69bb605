-- accounts_by_vehicle: one row per vehicle that charged in one period: charges, energy into the
-- battery, and cost, billed and estimated apart.
-- Inputs: accounts_charges, vehicle_settings. Parameters: period.
-- A sum is null where no charge of the kind has a figure.
select
    c.vehicle_id as subject_id,
    coalesce(v.vehicle_name, c.vehicle_id) as subject_name,
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
left join vehicle_settings as v on c.vehicle_id = v.vehicle_id
where c.period = $period
group by c.vehicle_id, v.vehicle_name
order by sum(c.total_cost) desc nulls last, subject_name asc, subject_id asc
