-- weekly_files: one row per file whose rows touch the week or stand behind one of its stops, or of
-- which no row could be used.
-- Inputs: files, weekly_stop_files. Parameters: from_at, to_at.
select
    file_id,
    file_path,
    source_id,
    kind,
    size_bytes,
    content_sha256,
    rows_read_n,
    rows_used_n,
    rows_repeated_n,
    rows_set_aside_n,
    rows_superseded_n,
    taken_in_at
from files
where
    (first_at < $to_at and last_at >= $from_at)
    or first_at is null
    or file_id in (select w.file_id from weekly_stop_files as w)
order by file_path
