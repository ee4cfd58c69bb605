-- One row per row replaced, kept for audit. Input: superseded_now.
-- Parameters: kind, file_id and file_path (of the file that replaces), now.
insert into superseded_rows (
    kind, file_id, file_row, vehicle_id, first_at, last_at, row_text,
    superseded_by_id, superseded_by_path, superseded_at
)
select
    $kind,
    file_id,
    file_row,
    vehicle_id,
    first_at,
    last_at,
    row_text,
    $file_id as superseded_by_id,
    $file_path as superseded_by_path,
    $now as superseded_at
from superseded_now
