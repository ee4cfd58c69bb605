-- One row per person about to be forgotten, without the person.
-- Parameters: begun_at, who_hash, said_by.
insert into forgettings (
    begun_at, who_hash, said_by, rows_changed_n, files_rewritten_n, files_dropped_n, editions_n
)
values ($begun_at, $who_hash, $said_by, 0, 0, 0, 0)
