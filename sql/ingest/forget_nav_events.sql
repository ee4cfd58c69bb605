-- Removes the rows of nav_events of files to be taken in anew. Parameters: file_ids (list).
delete from nav_events
where file_id in (select unnest($file_ids::integer[]))
