-- interval_reference: one row per active step of a DC stop with the time a warm pack would have
-- needed for the same energy (method, section 5), with and without the site's rating.
-- Inputs: stop_intervals, stop_outcomes, vehicle_settings, reference_curves.
-- Parameters: ramp_s (the first minute of a charge does not count: it is its own reference).
-- Charge inside a session is spread by energy between its two ends, because displays show
-- whole per cents; where samples are missing the shown value is taken.
-- least() and greatest() pass over nulls, so a missing charge or curve is ruled out before them.
with active as (
    select
        i.vehicle_id,
        i.charge_no,
        i.from_at,
        i.step_s,
        i.soc_pct,
        i.pack_kwh,
        o.soc_start_pct,
        o.soc_end_pct,
        o.site_power_kw,
        o.missing_min = 0 and o.soc_end_pct > o.soc_start_pct as is_spread,
        v.model_id,
        i.from_at < min(i.from_at) over per_stop + to_seconds($ramp_s::double) as is_ramp,
        sum(i.pack_kwh) over (
            partition by i.vehicle_id, i.charge_no order by i.from_at
        ) - i.pack_kwh / 2 as charged_kwh,
        sum(i.pack_kwh) over per_stop as total_kwh
    from stop_intervals as i
    inner join stop_outcomes as o on i.vehicle_id = o.vehicle_id and i.charge_no = o.charge_no
    inner join vehicle_settings as v on i.vehicle_id = v.vehicle_id
    where i.state = 'active'
    window per_stop as (partition by i.vehicle_id, i.charge_no)
),

placed as (
    select
        *,
        case
            when is_spread
                then soc_start_pct + (soc_end_pct - soc_start_pct) * charged_kwh / total_kwh
            else soc_pct
        end as soc_mid_pct
    from active
)

select
    p.vehicle_id,
    p.charge_no,
    p.from_at,
    p.step_s / 60 as step_min,
    p.pack_kwh,
    p.soc_mid_pct,
    c.reference_kw,
    case
        when c.reference_kw is null then null
        when p.is_ramp then p.step_s / 60
        else p.pack_kwh / c.reference_kw * 60
    end as curve_min,
    case
        when c.reference_kw is null then null
        when p.is_ramp then p.step_s / 60
        else p.pack_kwh / least(c.reference_kw, coalesce(p.site_power_kw, c.reference_kw)) * 60
    end as reference_min
from placed as p
left join reference_curves as c
    on
    p.soc_mid_pct is not null
    and p.model_id = c.model_id
    and least(greatest(floor(p.soc_mid_pct * 2), 0), 199)::int = c.soc_bin
