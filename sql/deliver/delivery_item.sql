-- delivery_item: one row, the item of that id; none where there is none.
-- Input: deliveries. Parameters: item_id.
select *
from deliveries
where item_id = $item_id
