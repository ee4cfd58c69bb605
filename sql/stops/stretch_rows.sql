-- stretch_rows: one row per stretch of warming, driving or parking of the scope's week, with the
-- coldest cell at both ends, in the columns of table thermal_stretches.
-- Inputs: stop_intervals, stop_outcomes, samples, scope, doubt_rows. Parameters: plugged_min_kw,
-- heater_on_min_kw, standing_max_kmh, nominal_pack_v, stretch_warming_min, stretch_driving_min,
-- stretch_least_min, stretch_parked_least_min, stretch_parked_most_min.
-- Warming and driving: runs of one state on an approach, cut into pieces of the lengths given; a
-- rest shorter than stretch_least_min is left out, since the rounding of both readings would be
-- most of it. Only where the heater is known, on or off.
-- Parked: pauses between busy samples, unplugged at both ends, charge neither risen nor used.
-- They are sought between the first and last busy samples of each half hour, of which there are
-- few; the outside temperature is the mean of both ends, all that a sleeping logger leaves.
-- current2_a2s is the integral of (power / nominal_pack_v) squared, in the chain no voltage.
with steps as (
    select
        i.vehicle_id,
        i.charge_no,
        o.week_id,
        i.from_at,
        i.to_at,
        i.step_s,
        i.state,
        i.cell_temp_min_degc,
        lead(i.cell_temp_min_degc) over per_stop as next_temp_degc,
        i.ambient_degc,
        i.has_heater_signal,
        i.pack_kw,
        i.heater_kwh,
        i.is_heater_estimated,
        i.is_at_plug,
        coalesce(i.state != lag(i.state) over per_stop, true) as is_turn
    from stop_intervals as i
    inner join stop_outcomes as o on i.vehicle_id = o.vehicle_id and i.charge_no = o.charge_no
    window per_stop as (partition by i.vehicle_id, i.charge_no order by i.from_at)
),

runs as (
    select
        *,
        count(*) filter (where is_turn) over (
            partition by vehicle_id, charge_no order by from_at
        ) as run_no
    from steps
    where not is_at_plug
),

pieces as (
    select
        *,
        floor(
            epoch(from_at - min(from_at) over (partition by vehicle_id, charge_no, run_no)) / 60
            / case when state = 'warming' then $stretch_warming_min else $stretch_driving_min end
        ) as piece_no
    from runs
    where state in ('warming', 'driving')
),

moving as (
    select
        vehicle_id,
        any_value(week_id) as week_id,
        min(from_at) as from_at,
        any_value(state) as stretch_kind,
        sum(step_s) / 60 as stretch_min,
        first(cell_temp_min_degc order by from_at) as cell_temp_start_degc,
        last(next_temp_degc order by from_at) as cell_temp_end_degc,
        sum(ambient_degc * step_s) / sum(step_s) filter (where ambient_degc is not null)
            as ambient_degc,
        coalesce(sum(heater_kwh), 0) as heater_kwh,
        sum(pow(pack_kw * 1000 / $nominal_pack_v, 2) * step_s) as current2_a2s,
        bool_or(is_heater_estimated) as is_heater_estimated
    from pieces
    group by vehicle_id, charge_no, run_no, piece_no
    having
        sum(step_s) >= 60 * $stretch_least_min
        and bool_and(has_heater_signal)
        and bool_and(pack_kw is not null)
),

bounds as (
    select
        min(from_at) as from_at,
        max(read_to_at) as to_at
    from scope
),

busy as (
    select
        vehicle_id,
        min(sampled_at) as first_at,
        max(sampled_at) as last_at
    from samples
    where
        sampled_at >= (select from_at from bounds)
        and sampled_at < (select to_at from bounds)
        and (
            coalesce(is_connected, false)
            or coalesce(abs(pack_power_kw) >= $plugged_min_kw, false)
            or coalesce(abs(speed_kmh) >= $standing_max_kmh, false)
            or coalesce(heater_power_kw >= $heater_on_min_kw, is_conditioning, false)
        )
    group by vehicle_id, epoch_ms(sampled_at) // 1800000
),

pauses as (
    select
        vehicle_id,
        last_at as from_at,
        lead(first_at) over (partition by vehicle_id order by last_at) as to_at
    from busy
),

parked_spans as (
    select
        p.vehicle_id,
        c.week_id,
        p.from_at,
        p.to_at
    from pauses as p
    inner join scope as c
        on p.vehicle_id = c.vehicle_id
        and p.from_at >= c.from_at
        and p.from_at < c.to_at
    where
        epoch(p.to_at - p.from_at) / 60
        between $stretch_parked_least_min and $stretch_parked_most_min
),

parked as (
    select
        p.vehicle_id,
        p.week_id,
        p.from_at,
        'parked' as stretch_kind,
        epoch(p.to_at - p.from_at) / 60 as stretch_min,
        b.cell_temp_min_degc as cell_temp_start_degc,
        e.cell_temp_min_degc as cell_temp_end_degc,
        (b.ambient_degc + e.ambient_degc) / 2 as ambient_degc,
        0 as heater_kwh,
        0 as current2_a2s,
        false as is_heater_estimated
    from parked_spans as p
    inner join samples as b on p.vehicle_id = b.vehicle_id and p.from_at = b.sampled_at
    inner join samples as e on p.vehicle_id = e.vehicle_id and p.to_at = e.sampled_at
    anti join doubt_rows as d on p.vehicle_id = d.vehicle_id
    where
        not coalesce(b.is_connected, false)
        and not coalesce(e.is_connected, false)
        and e.soc_pct - b.soc_pct between -2 and 0.3
        and coalesce(abs(e.odometer_km - b.odometer_km) < 0.2, true)
),

together as (
    select * from moving
    union all by name
    select * from parked
)

select *
from together
where
    cell_temp_start_degc is not null
    and cell_temp_end_degc is not null
    and ambient_degc is not null
