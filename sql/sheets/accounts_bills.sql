-- accounts_bills: one row per state of a charge between vehicle and bill in the month, as it was
-- last reconciled; none without bills.
-- Inputs: reconciliation. Parameters: from_at, to_at (half-open).
select
    case when why = 'billed_twice' then 'billed_twice' else status end as status,
    count(*) as charges_n,
    sum(billed_kwh) as billed_kwh,
    sum(billed_cost) as billed_cost,
    sum(expected_cost) as expected_cost
from reconciliation
where
    coalesce(seen_at, billed_at) >= $from_at
    and coalesce(seen_at, billed_at) < $to_at
group by all
order by 1
