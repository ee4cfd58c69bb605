-- Removes single rows of driver_spans. Input: removed_rows (file_id, file_row).
delete from driver_spans as stored
using removed_rows as gone
where stored.file_id = gone.file_id and stored.file_row = gone.file_row
