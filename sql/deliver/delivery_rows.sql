-- delivery_rows: one row per item, the newest edition first; a driver's address is not shown.
-- Input: deliveries. Parameters: none.
select
    item_id,
    week_id,
    edition_no,
    documents,
    channel,
    state,
    why,
    said,
    tries_n,
    queued_at,
    tried_at,
    next_try_at,
    case when driver_id = '' then recipient else 'the driver' end as recipient,
    state in ('unsure', 'given_up') as is_for_a_person
from deliveries
order by week_id desc, edition_no desc, length(item_id) desc, item_id desc
