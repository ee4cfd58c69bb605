-- Removes the rows of mended_rows of files to be taken in anew. Parameters: file_ids (list).
delete from mended_rows
where file_id in (select unnest($file_ids::integer[]))
