-- Removes single rows of reported_sessions. Input: removed_rows (file_id, file_row).
delete from reported_sessions as stored
using removed_rows as gone
where stored.file_id = gone.file_id and stored.file_row = gone.file_row
