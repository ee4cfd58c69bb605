-- weekly_charges: one row per vehicle with charges in the week, counted by kind, and the minutes
-- without samples on approaches and at the plug.
-- Inputs: charge_sessions, stops. Parameters: week_id.
with charges as (
    select
        vehicle_id,
        count(*) filter (where mode = 'dc') as dc_stops_n,
        count(*) filter (where mode = 'ac') as ac_charges_n,
        count(*) filter (where mode = 'dc_unknown') as dc_unknown_n,
        count(*) filter (where is_reported_only) as reported_only_n
    from charge_sessions
    where week_id = $week_id
    group by vehicle_id
),

gaps as (
    select
        vehicle_id,
        sum(missing_min + approach_missing_min) as missing_min
    from stops
    where week_id = $week_id
    group by vehicle_id
)

select
    c.*,
    g.missing_min
from charges as c
left join gaps as g on c.vehicle_id = g.vehicle_id
