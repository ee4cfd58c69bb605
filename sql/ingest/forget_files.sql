-- Removes the rows of files of files to be taken in anew. Parameters: file_ids (list).
delete from files
where file_id in (select unnest($file_ids::integer[]))
