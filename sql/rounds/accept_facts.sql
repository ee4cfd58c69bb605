-- The newest edition of a week stands on the facts as they are now: they were looked at, and it
-- says the same. Inputs: made_editions. Parameters: week_id, edition_no, facts_hash,
-- stop_list_hash.
update made_editions
set
    facts_hash = $facts_hash,
    stop_list_hash = $stop_list_hash
where week_id = $week_id and edition_no = $edition_no
