-- Removes the replaced rows of files to be taken in anew. Parameters: file_ids (list).
delete from superseded_rows
where file_id in (select unnest($file_ids::integer[]))
