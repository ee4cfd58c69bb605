-- destinations: one row per charge of a vehicle that exports navigation events, with what was
-- set in the vehicle when it arrived.
-- Inputs: nav_events, charge_totals. Parameters: none.
-- Only events since the charge before count, at most 12 h back. A destination cleared within
-- the last 5 min is one that was reached. Setting the same charging place again does not
-- restart the clock: destination_set_at is the first of the unbroken run.
with vehicles as (
    select distinct vehicle_id
    from nav_events
),

events as (
    select
        t.vehicle_id,
        t.charge_no,
        t.plug_in_at,
        n.happened_at,
        n.action,
        coalesce(n.is_charging_place, false) as is_charging_place
    from charge_totals as t
    inner join nav_events as n
        on t.vehicle_id = n.vehicle_id
        and t.plug_in_at >= n.happened_at
        and greatest(
            coalesce(t.previous_plug_in_at, t.plug_in_at - interval 12 hour),
            t.plug_in_at - interval 12 hour
        ) <= n.happened_at
    where
        n.action = 'set'
        or n.happened_at < t.plug_in_at - interval 5 minute
),

breaks as (
    select
        vehicle_id,
        charge_no,
        max(happened_at) filter (where action = 'cleared' or not is_charging_place)
            as last_break_at
    from events
    group by vehicle_id, charge_no
),

runs as (
    select
        e.vehicle_id,
        e.charge_no,
        arg_max(e.action, e.happened_at) as last_action,
        arg_max(e.is_charging_place, e.happened_at) as last_is_charging_place,
        max(e.happened_at) as last_at,
        min(e.happened_at) filter (
            where e.action = 'set'
            and e.is_charging_place
            and (b.last_break_at is null or e.happened_at > b.last_break_at)
        ) as charging_set_at
    from events as e
    inner join breaks as b on e.vehicle_id = b.vehicle_id and e.charge_no = b.charge_no
    group by e.vehicle_id, e.charge_no
)

select
    t.vehicle_id,
    t.charge_no,
    case
        when coalesce(r.last_action, 'cleared') = 'cleared' then 'none'
        when r.last_is_charging_place then 'charging_place'
        else 'other_place'
    end as destination_kind,
    case
        when r.last_action = 'set' then coalesce(r.charging_set_at, r.last_at)
    end as destination_set_at
from charge_totals as t
inner join vehicles as v on t.vehicle_id = v.vehicle_id
left join runs as r on t.vehicle_id = r.vehicle_id and t.charge_no = r.charge_no
