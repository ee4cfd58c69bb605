-- charge_step_rows: one row per step of at most step_s seconds of a fast charge, active or held, in
-- the columns of table charge_steps.
-- Inputs: stop_intervals, stop_outcomes. Parameters: charge_step_s, ramp_s.
-- Displays show charge in whole or half per cents. So charge inside a session is spread by energy
-- between its two ends, and bent by the mean distance of what was shown within five minutes:
-- charge per kilowatt-hour is not the same at high and at low power. Where samples are missing
-- the shown value is taken.
with steps as (
    select
        i.vehicle_id,
        i.charge_no,
        o.plug_in_at,
        o.week_id,
        i.from_at,
        i.step_s,
        i.state = 'held' as is_held,
        i.soc_pct,
        i.cell_temp_min_degc,
        coalesce(i.pack_kwh, 0) as pack_kwh,
        i.heater_kwh,
        o.soc_start_pct,
        o.soc_end_pct,
        o.missing_min = 0 and o.soc_end_pct > o.soc_start_pct as is_spread,
        epoch(i.from_at - min(i.from_at) over per_stop) as since_s,
        sum(i.pack_kwh) over (
            partition by i.vehicle_id, i.charge_no order by i.from_at
        ) - i.pack_kwh / 2 as charged_kwh,
        sum(i.pack_kwh) over per_stop as total_kwh
    from stop_intervals as i
    inner join stop_outcomes as o on i.vehicle_id = o.vehicle_id and i.charge_no = o.charge_no
    where i.state in ('active', 'held')
    window per_stop as (partition by i.vehicle_id, i.charge_no)
),

spread as (
    select
        *,
        soc_start_pct + (soc_end_pct - soc_start_pct) * charged_kwh / total_kwh as spread_pct,
        soc_start_pct
        + (soc_end_pct - soc_start_pct) * (charged_kwh - pack_kwh / 2) / total_kwh
            as spread_from_pct
    from steps
),

placed as (
    select
        *,
        case
            when is_spread
                then spread_pct + coalesce(avg(soc_pct - spread_from_pct) over (
                    partition by vehicle_id, charge_no
                    order by since_s range between 300 preceding and 300 following
                ), 0)
            else soc_pct
        end as soc_mid_pct
    from spread
)

select
    vehicle_id,
    plug_in_at,
    any_value(week_id) as week_id,
    row_number() over (
        partition by vehicle_id, plug_in_at order by min(from_at)
    )::integer as step_no,
    sum(step_s) / 60 as step_min,
    sum(pack_kwh) as pack_kwh,
    sum(heater_kwh) as heater_kwh,
    avg(soc_mid_pct) as soc_mid_pct,
    sum(cell_temp_min_degc * step_s)
    / sum(step_s) filter (where cell_temp_min_degc is not null) as cell_temp_min_degc,
    is_held,
    since_s < $ramp_s as is_ramp
from placed
group by
    vehicle_id, plug_in_at, floor(since_s / $charge_step_s), is_held, since_s < $ramp_s
