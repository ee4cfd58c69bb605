-- Removes the rows of file_reaches of files to be taken in anew. Parameters: file_ids (list).
delete from file_reaches
where file_id in (select unnest($file_ids::integer[]))
