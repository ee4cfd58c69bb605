-- Removes rows replaced long ago. Parameters: quarantine_before_at.
delete from superseded_rows
where superseded_at < $quarantine_before_at
