-- newer_files: one row: did files with data of before an instant come in after another?
-- Inputs: files. Parameters: from_at, to_at.
select count(*) > 0 as has_new_data
from files
where taken_in_at > $from_at and first_at < $to_at
