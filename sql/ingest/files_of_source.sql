-- files_of_source: one row per file taken in, in order. Parameters: none.
select
    file_id,
    file_path,
    source_id,
    kind
from files
order by file_id
