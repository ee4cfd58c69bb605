-- Takes the rows just replaced out of their files' count of rows used. Input: superseded_now.
update files
set
    rows_used_n = files.rows_used_n - gone.rows_n,
    rows_superseded_n = files.rows_superseded_n + gone.rows_n
from (
    select
        file_id,
        count(*) as rows_n
    from superseded_now
    group by file_id
) as gone
where files.file_id = gone.file_id
