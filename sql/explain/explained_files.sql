-- explained_files: one row per file behind one stop, with how many of its rows, and between which
-- two they lie: samples from the start of the approach to unplugging, what was set in the vehicle
-- in the 12 h before, and summaries of the charge. A stop known from a summary only has no samples.
-- Inputs: samples, nav_events, reported_sessions, files.
-- Parameters: vehicle_id, is_seen, approach_from_at, plug_in_at, to_at.
with behind as (
    select
        file_id,
        file_row
    from samples
    where
        $is_seen
        and vehicle_id = $vehicle_id
        and sampled_at >= $approach_from_at
        and sampled_at <= $to_at
    union all
    select
        file_id,
        file_row
    from nav_events
    where
        vehicle_id = $vehicle_id
        and happened_at <= $plug_in_at
        and happened_at > $plug_in_at - interval 12 hour
    union all
    select
        file_id,
        file_row
    from reported_sessions
    where
        vehicle_id = $vehicle_id
        and plug_in_at <= $to_at
        and plug_out_at >= $plug_in_at
)

select
    f.kind,
    f.file_path,
    f.content_sha256,
    f.source_id,
    count(*) as rows_n,
    min(b.file_row) as first_file_row,
    max(b.file_row) as last_file_row
from behind as b
inner join files as f on b.file_id = f.file_id
group by f.kind, f.file_id, f.file_path, f.content_sha256, f.source_id
order by f.kind != 'samples', f.kind, min(b.file_row), f.file_path
