-- Removes rows set aside from files taken in long ago. Parameters: quarantine_before_at.
delete from quarantine
where file_id in (select file_id from files where taken_in_at < $quarantine_before_at)
