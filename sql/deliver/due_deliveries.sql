-- due_deliveries: one row per item to be tried now, the oldest first.
-- A next try that lies further ahead than the longest pause was set by a clock that has been put
-- right since. Input: deliveries. Parameters: now, pause_until_at (now and the longest pause),
-- has_pauses.
select *
from deliveries
where
    state in ('waiting', 'failed')
    and (not $has_pauses or next_try_at <= $now or next_try_at > $pause_until_at)
order by queued_at, length(item_id), item_id
