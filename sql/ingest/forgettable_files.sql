-- forgettable_files: one row per file of a source whose mapping has changed since it was taken in.
-- Inputs: files. Parameters: source_ids (list).
select
    file_id,
    file_path
from files
where source_id in (select unnest($source_ids::varchar[]))
order by file_id
