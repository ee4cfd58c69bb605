-- quarantine_rows: one row per row set aside, with what was kept of it, in the order of files.
-- Inputs: quarantine, files. Parameters: file_path, rule (null is any).
select
    f.source_id,
    f.kind,
    q.file_path,
    q.file_row,
    q.rule,
    q.column_name,
    q.value,
    q.expected,
    q.raw_row
from quarantine as q
inner join files as f on q.file_id = f.file_id
where
    ($file_path::varchar is null or q.file_path = $file_path)
    and ($rule::varchar is null or q.rule = $rule)
order by f.source_id, q.file_path, q.file_row
