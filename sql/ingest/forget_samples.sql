-- Removes the rows of samples of files to be taken in anew. Parameters: file_ids (list).
delete from samples
where file_id in (select unnest($file_ids::integer[]))
