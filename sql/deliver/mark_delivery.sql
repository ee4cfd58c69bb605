-- What became of one item.
-- Parameters: item_id, state, why, said, now, next_try_at, tried_n (1 if it was tried, else 0).
update deliveries
set
    state = $state,
    why = $why,
    said = $said,
    tries_n = tries_n + $tried_n,
    first_tried_at = case
        when $tried_n = 1 then coalesce(first_tried_at, $now)
        else first_tried_at
    end,
    tried_at = case when $tried_n = 1 then $now else tried_at end,
    next_try_at = $next_try_at
where item_id = $item_id
