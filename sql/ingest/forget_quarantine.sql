-- Removes the rows of quarantine of files to be taken in anew. Parameters: file_ids (list).
delete from quarantine
where file_id in (select unnest($file_ids::integer[]))
