-- weekly_unlinked_bills: one row per record of a charge card that leads to no vehicle, which may
-- speak of the week. Inputs: quarantine, weekly_files. Parameters: from_at, to_at (half-open).
-- Charge detail records tell when they began (`start_date_time` of OCPI); of others only the file
-- is known to touch the week, or nothing.
with told as (
    select
        q.file_path,
        q.file_row,
        try_cast(json_extract_string(q.raw_row, '$.start_date_time') as timestamptz) as begins_at
    from quarantine as q
    inner join weekly_files as f on q.file_id = f.file_id
    where q.rule = 'card_unlinked'
)

select
    file_path,
    file_row,
    begins_at
from told
where
    begins_at is null
    or (begins_at >= $from_at and begins_at < $to_at)
order by file_path, file_row
