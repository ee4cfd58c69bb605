-- The ledger row of one file. Parameters: one parameter per column, of its name.
insert into files (
    file_id, file_path, content_sha256, source_id, kind, size_bytes,
    rows_read_n, rows_used_n, rows_repeated_n, rows_set_aside_n,
    rows_superseded_n, first_at, last_at, median_interval_s, taken_in_at
)
values (
    $file_id, $file_path, $content_sha256, $source_id, $kind, $size_bytes,
    $rows_read_n, $rows_used_n, $rows_repeated_n, $rows_set_aside_n,
    $rows_superseded_n, $first_at, $last_at, $median_interval_s, $taken_in_at
)
