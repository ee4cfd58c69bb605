-- weekly_rules: one row per rule and column broken in the files of the week, with an example.
-- Inputs: quarantine, weekly_files. Parameters: none.
select
    q.rule,
    q.column_name,
    count(*) as rows_n,
    count(distinct q.file_id) as files_n,
    arg_min(q.file_path, (q.file_path, q.file_row)) as example_file,
    arg_min(q.file_row, (q.file_path, q.file_row)) as example_row,
    arg_min(coalesce(q.value, ''), (q.file_path, q.file_row)) as example_value
from quarantine as q
inner join weekly_files as f on q.file_id = f.file_id
group by q.rule, q.column_name
order by rows_n desc, q.rule asc, q.column_name asc
