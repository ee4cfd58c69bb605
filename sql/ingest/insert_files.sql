-- One ledger row per file. Input: incoming.
insert into files (
    file_id, file_path, content_sha256, source_id, kind, size_bytes,
    rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n,
    rows_superseded_n, first_at, last_at, median_interval_s, taken_in_at
)
select
    file_id,
    file_path,
    content_sha256,
    source_id,
    kind,
    size_bytes,
    rows_read_n,
    rows_used_n,
    rows_repeated_n,
    rows_set_aside_n,
    rows_superseded_n,
    first_at,
    last_at,
    median_interval_s,
    taken_in_at
from incoming
