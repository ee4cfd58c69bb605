-- health_intake: one row; what came in at all, and what of late was set aside.
-- Inputs: files, quarantine. Parameters: since_at.
select
    max(taken_in_at) as last_intake_at,
    count(*)::bigint as files_n,
    coalesce(sum(rows_read_n) filter (where taken_in_at >= $since_at), 0)::bigint
        as recent_rows_read_n,
    coalesce(sum(rows_set_aside_n) filter (where taken_in_at >= $since_at), 0)::bigint
        as recent_rows_set_aside_n,
    (select count(*) from quarantine)::bigint as set_aside_n
from files
