-- One row per item that is not queued yet; one that is stays as it is.
-- Input: wanted_deliveries (one row per recipient and set of documents). Parameters: now.
insert into deliveries
select
    'd' || nextval('delivery_item_ids') as item_id,
    w.message_id,
    w.week_id,
    w.edition_no,
    w.documents,
    w.channel,
    w.recipient,
    w.driver_id,
    w.folder,
    w.files,
    w.content_sha256,
    w.size_bytes,
    w.has_people,
    'waiting' as state,
    null as why,
    null as said,
    0 as tries_n,
    $now as queued_at,
    null as first_tried_at,
    null as tried_at,
    $now as next_try_at
from wanted_deliveries as w
where
    not exists (
        select 1 from deliveries as d
        where
            d.week_id = w.week_id
            and d.edition_no = w.edition_no
            and d.channel = w.channel
            and d.recipient = w.recipient
            and d.documents = w.documents
            and d.driver_id = w.driver_id
    )
order by w.item_no
