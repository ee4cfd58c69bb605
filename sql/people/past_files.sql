-- past_files: one row per file of the ledger with whether every row of it is past its time: a
-- roster past that of people, all others past that of samples. A file that brought no row is as
-- old as its reading. Input: files. Parameters: samples_before_at, people_before_at.
select
    file_path,
    coalesce(last_at, taken_in_at)
    < case
        when kind = 'driver_spans' then least($people_before_at, $samples_before_at)
        else $samples_before_at
    end as is_past
from files
