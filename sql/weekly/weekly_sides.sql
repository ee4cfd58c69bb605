-- weekly_sides: one row: how much other than the vehicles tells of the week's charges, bills with
-- a sum and readings of chargers' logs.
-- Inputs: reported_sessions, charger_readings. Parameters: from_at, to_at (half-open).
select
    (
        select count(*)
        from reported_sessions
        where total_cost is not null and plug_in_at >= $from_at and plug_in_at < $to_at
    ) as bills_n,
    (
        select count(*)
        from charger_readings
        where read_at >= $from_at and read_at < $to_at
    ) as readings_n
