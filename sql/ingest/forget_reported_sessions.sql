-- Removes the rows of reported_sessions of files to be taken in anew. Parameters: file_ids (list).
delete from reported_sessions
where file_id in (select unnest($file_ids::integer[]))
