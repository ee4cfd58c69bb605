-- Removes the rows of driver_spans of files to be taken in anew. Parameters: file_ids (list).
delete from driver_spans
where file_id in (select unnest($file_ids::integer[]))
