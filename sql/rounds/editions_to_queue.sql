-- editions_to_queue: one row per edition that recipients are to get and the delivery does not know
-- yet, oldest week first; of a week only its newest, since the folder holds no other.
-- Inputs: made_editions. Parameters: none.
select
    week_id,
    edition_no,
    folder
from made_editions
where is_for_delivery and not is_queued
qualify edition_no = max(edition_no) over (partition by week_id)
order by week_id
