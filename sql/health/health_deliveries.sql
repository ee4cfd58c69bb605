-- health_deliveries: one row per state that a delivery is in.
-- Input: deliveries.
select
    state,
    count(*)::bigint as items_n
from deliveries
group by state
order by state
