-- Removes the readings of chargers of files to be taken in anew. Parameters: file_ids (list).
delete from charger_readings
where file_id in (select unnest($file_ids::integer[]))
