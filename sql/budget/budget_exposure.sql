-- budget_exposure: one row per vehicle and local month, with the days that data cover and the
-- fast-charge stops on them.
-- Inputs: file_spans, stops. Parameters: zone, history_from_at, history_to_at (half-open),
-- bridged_days_n.
-- A file speaks for every day between its first and last row: a van that stands is no gap. Neither
-- are up to bridged_days_n days between two files, where each holds one day's work and a weekend
-- has none. A day counts once, however many files hold it; a stop outside covered days brings its
-- day along.
with in_history as (
    select
        vehicle_id,
        greatest(first_at, $history_from_at) as from_at,
        least(last_at, $history_to_at - interval 1 microsecond) as last_at
    from file_spans
    where first_at < $history_to_at and last_at >= $history_from_at
),

followed as (
    select
        vehicle_id,
        from_at,
        last_at,
        lead(from_at) over (partition by vehicle_id order by from_at, last_at) as next_at
    from in_history
),

spans as (
    select
        vehicle_id,
        from_at,
        case
            when
                next_at > last_at
                and date_diff(
                    'day', last_at at time zone $zone, next_at at time zone $zone
                ) <= $bridged_days_n + 1
                then next_at
            else last_at
        end as to_at
    from followed
),

stop_days as (
    select
        vehicle_id,
        cast(plug_in_at at time zone $zone as date) as local_date
    from stops
    where plug_in_at >= $history_from_at and plug_in_at < $history_to_at
),

covered as (
    select distinct
        vehicle_id,
        cast(unnest(generate_series(
            date_trunc('day', from_at at time zone $zone),
            date_trunc('day', to_at at time zone $zone),
            interval 1 day
        )) as date) as local_date
    from spans
),

days as (
    select
        vehicle_id,
        local_date
    from covered
    union
    select
        vehicle_id,
        local_date
    from stop_days
),

stops_by_day as (
    select
        vehicle_id,
        local_date,
        count(*) as stops_n
    from stop_days
    group by vehicle_id, local_date
)

select
    d.vehicle_id,
    cast(date_trunc('month', d.local_date) as date) as month_date,
    cast(count(*) as double) as days_n,
    cast(sum(coalesce(s.stops_n, 0)) as double) as stops_n
from days as d
left join stops_by_day as s on d.vehicle_id = s.vehicle_id and d.local_date = s.local_date
group by d.vehicle_id, month_date
order by d.vehicle_id, month_date
