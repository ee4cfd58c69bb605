-- left_deliveries: one row per item that a broken-off run left while it was being handed over.
-- Input: deliveries. Parameters: none.
select *
from deliveries
where state = 'handing_over'
order by length(item_id), item_id
