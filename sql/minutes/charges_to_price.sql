-- charges_to_price: one row per charge plugged in within the window, AC and DC, with what its cost
-- is drawn from.
-- Inputs: charge_sessions, stops, reported_sessions, vehicle_settings.
-- Parameters: window_from_at, window_to_at (half-open).
-- An invoiced sum goes to the charges that its session overlaps in time, in proportion to the
-- energy they took within it; where no charge has energy, to the time. Two sources may report
-- one session: a report that overlaps an earlier one by half of the shorter is left out.
-- charging_min is the stay less the minutes seen idle: minutes without samples lie between charging
-- ones, as a rule. A charge known from a bill alone stood idle for as long as the bill says.
with charges as (
    select
        *,
        epoch(plug_out_at - plug_in_at) / 60 as stay_min
    from charge_sessions
    where plug_in_at >= $window_from_at and plug_in_at < $window_to_at
),

invoices as (
    select
        vehicle_id,
        plug_in_at,
        plug_out_at,
        total_cost,
        epoch(plug_out_at - plug_in_at) as stay_s,
        row_number() over (
            partition by vehicle_id order by plug_in_at, plug_out_at, file_id, file_row
        ) as invoice_no
    from reported_sessions
    where
        total_cost is not null
        and plug_out_at > $window_from_at - interval 1 day
        and plug_in_at < $window_to_at + interval 1 day
),

repeats as (
    select distinct
        later.vehicle_id,
        later.invoice_no
    from invoices as later
    inner join invoices as earlier
        on later.vehicle_id = earlier.vehicle_id
        and later.invoice_no > earlier.invoice_no
        and later.plug_in_at < earlier.plug_out_at
    where
        epoch(least(later.plug_out_at, earlier.plug_out_at) - later.plug_in_at)
        >= 0.5 * least(later.stay_s, earlier.stay_s)
),

-- Against every charge, not only those of the window: a share must not depend on where the
-- window was cut.
shares as (
    select
        i.vehicle_id,
        i.invoice_no,
        i.total_cost,
        c.plug_in_at,
        c.plug_out_at,
        epoch(least(i.plug_out_at, c.plug_out_at) - greatest(i.plug_in_at, c.plug_in_at))
            as overlap_s,
        overlap_s / epoch(c.plug_out_at - c.plug_in_at) * coalesce(c.energy_kwh, 0) as overlap_kwh
    from invoices as i
    inner join charge_sessions as c
        on i.vehicle_id = c.vehicle_id
        and i.plug_in_at < c.plug_out_at
        and i.plug_out_at > c.plug_in_at
    left join repeats as r on i.vehicle_id = r.vehicle_id and i.invoice_no = r.invoice_no
    -- A report's clock may run into the next charge: that is not its charge.
    where
        r.invoice_no is null
        and overlap_s >= 0.5 * least(i.stay_s, epoch(c.plug_out_at - c.plug_in_at))
),

shared as (
    select
        *,
        sum(overlap_kwh) over (partition by vehicle_id, invoice_no) as invoice_kwh,
        sum(overlap_s) over (partition by vehicle_id, invoice_no) as invoice_s
    from shares
),

invoiced as (
    select
        vehicle_id,
        plug_in_at,
        plug_out_at,
        sum(
            total_cost
            * case
                when invoice_kwh > 0 then overlap_kwh / invoice_kwh
                else overlap_s / invoice_s
            end
        ) as invoiced_cost
    from shared
    group by vehicle_id, plug_in_at, plug_out_at
),

parked as (
    select
        vehicle_id,
        plug_in_at,
        plug_out_at,
        max(parking_min) as parking_min
    from reported_sessions
    where parking_min is not null
    group by vehicle_id, plug_in_at, plug_out_at
)

select
    c.vehicle_id,
    c.plug_in_at,
    c.plug_out_at,
    c.week_id,
    c.mode,
    c.site_id,
    c.soc_start_pct,
    c.soc_end_pct,
    c.energy_kwh,
    c.power_max_kw,
    v.usable_kwh,
    c.stay_min - coalesce(s.idle_min, p.parking_min) as charging_min,
    i.invoiced_cost
from charges as c
left join vehicle_settings as v on c.vehicle_id = v.vehicle_id
left join stops as s
    on c.vehicle_id = s.vehicle_id
    and c.plug_in_at = s.plug_in_at
    and c.plug_out_at = s.plug_out_at
left join invoiced as i
    on c.vehicle_id = i.vehicle_id
    and c.plug_in_at = i.plug_in_at
    and c.plug_out_at = i.plug_out_at
left join parked as p
    on c.vehicle_id = p.vehicle_id
    and c.plug_in_at = p.plug_in_at
    and c.plug_out_at = p.plug_out_at
