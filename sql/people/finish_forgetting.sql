-- What became of the data. Attempts at the same person that were broken off end with it too.
-- Parameters: now, who_hash, rows_changed_n, files_rewritten_n, files_dropped_n, editions_n.
update forgettings
set
    finished_at = $now,
    rows_changed_n = $rows_changed_n,
    files_rewritten_n = $files_rewritten_n,
    files_dropped_n = $files_dropped_n,
    editions_n = $editions_n
where who_hash = $who_hash and finished_at is null
