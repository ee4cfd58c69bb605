-- last_editions: one row per week that has an edition: the newest edition of it, and whether
-- recipients ever were to get one. Inputs: made_editions. Parameters: none.
select
    week_id,
    edition_no,
    made_at,
    program_version,
    method_version,
    fingerprint,
    reason,
    changes,
    folder,
    facts_hash,
    stop_list_hash,
    is_queued,
    bool_or(is_for_delivery) over (partition by week_id) as is_for_delivery,
    min(made_at) over (partition by week_id) as first_made_at
from made_editions
qualify edition_no = max(edition_no) over (partition by week_id)
order by week_id
