-- miscounted_files: files whose rows do not add up; there must be none.
-- Inputs: files, old_rows (what is stored of them). Parameters: file_ids (list).
select
    f.file_path,
    f.rows_read_n,
    f.rows_used_n,
    f.rows_repeated_n,
    f.rows_set_aside_n,
    f.rows_superseded_n,
    count(o.file_row) as stored_n
from files as f
left join old_rows as o on f.file_id = o.file_id
where f.file_id in (select unnest($file_ids::integer[]))
group by all
having
    f.rows_read_n
    != f.rows_used_n + f.rows_repeated_n + f.rows_set_aside_n + f.rows_superseded_n
    or f.rows_used_n != count(o.file_row)
