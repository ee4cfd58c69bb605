-- weekly_stop_files: one row per stop of the week and file behind it, with how many of its rows,
-- and between which two they lie: samples from the start of the approach to unplugging, what was
-- set in the vehicle in the 12 h before, and summaries of the charge.
-- Inputs: stops, samples, nav_events, reported_sessions, files.
-- Parameters: week_id, from_at, to_at.
-- Approaches begin after the charge before, so that a sample belongs to one stop at most; a stop
-- known from a summary only, which may lie in another's approach, takes none away. A millisecond
-- makes up for minutes that are no whole number of microseconds.
with spans as (
    select
        stop_id,
        vehicle_id,
        plug_in_at,
        plug_out_at,
        is_reported_only,
        plug_in_at - to_microseconds((coalesce(approach_min, 0) * 60e6 + 1000)::bigint)
            as from_at
    from stops
    where week_id = $week_id
),

seen as (
    select
        stop_id,
        vehicle_id,
        from_at,
        plug_out_at
    from spans
    where not is_reported_only
),

near as (
    select
        vehicle_id,
        sampled_at,
        file_id,
        file_row
    from samples
    -- Of years of samples only those about the week are looked at.
    where sampled_at >= $from_at - interval 1 day and sampled_at < $to_at + interval 3 day
),

behind as (
    select
        s.stop_id,
        n.file_id,
        n.file_row
    from near as n
    asof inner join seen as s on n.vehicle_id = s.vehicle_id and n.sampled_at >= s.from_at
    where n.sampled_at <= s.plug_out_at
    union all
    select
        s.stop_id,
        n.file_id,
        n.file_row
    from spans as s
    inner join nav_events as n
        on s.vehicle_id = n.vehicle_id
        and s.plug_in_at >= n.happened_at
        and s.plug_in_at - interval 12 hour < n.happened_at
    union all
    select
        s.stop_id,
        r.file_id,
        r.file_row
    from spans as s
    inner join reported_sessions as r
        on s.vehicle_id = r.vehicle_id
        and s.plug_out_at >= r.plug_in_at
        and s.plug_in_at <= r.plug_out_at
)

select
    b.stop_id,
    f.kind,
    f.file_id,
    f.file_path,
    f.content_sha256,
    f.source_id,
    count(*) as rows_n,
    min(b.file_row) as first_file_row,
    max(b.file_row) as last_file_row
from behind as b
inner join files as f on b.file_id = f.file_id
group by b.stop_id, f.kind, f.file_id, f.file_path, f.content_sha256, f.source_id
order by b.stop_id, f.kind, f.file_path, f.file_id
