-- quarantine_groups: one row per file, rule and column of the rows set aside: how many, and some
-- examples in the order of their rows. Inputs: quarantine, files.
-- Parameters: file_path, rule (null is any), examples_n.
select
    q.file_path,
    q.rule,
    q.column_name,
    any_value(f.source_id) as source_id,
    any_value(q.expected) as expected,
    count(*) as rows_n,
    min(q.file_row) as first_file_row,
    list_slice(
        list(struct_pack(file_row := q.file_row, value := q.value) order by q.file_row),
        1,
        $examples_n
    ) as examples
from quarantine as q
inner join files as f on q.file_id = f.file_id
where
    ($file_path::varchar is null or q.file_path = $file_path)
    and ($rule::varchar is null or q.rule = $rule)
group by q.file_path, q.rule, q.column_name
order by q.file_path asc, rows_n desc, q.rule asc, q.column_name asc
