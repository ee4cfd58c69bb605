-- stop_intervals: one row per step from one sample to the next, on the approach or at the plug.
-- Energy is trapezoidal over real time stamps; a step longer than the file's max_gap_s is
-- missing and carries no energy.
-- Inputs: stop_samples, approach_starts, vehicle_settings.
-- Parameters: plugged_min_kw, heater_on_min_kw.
-- state at the plug: active | held (no charge yet, the pack is being heated) | idle | missing
-- state on the approach: warming | driving (not warming, standing included) | parked | missing
with steps as (
    select
        s.vehicle_id,
        s.charge_no,
        s.sampled_at as from_at,
        lead(s.sampled_at) over per_stop as to_at,
        s.is_at_plug,
        s.max_gap_s,
        s.soc_pct,
        s.cell_temp_min_degc,
        s.ambient_degc,
        s.heater_power_kw is not null or s.is_conditioning is not null as has_heater_signal,
        (s.pack_power_kw + lead(s.pack_power_kw) over per_stop) / 2 as pack_kw,
        (s.heater_power_kw + lead(s.heater_power_kw) over per_stop) / 2 as heater_kw,
        s.is_conditioning and s.cell_temp_min_degc < v.warm_threshold_degc as is_state_on,
        v.heater_power_kw as model_heater_kw,
        v.warm_threshold_degc,
        abs(lead(s.odometer_km) over per_stop - s.odometer_km) < 0.2 as is_unmoved,
        coalesce(abs(s.speed_kmh) < 1 and abs(lead(s.speed_kmh) over per_stop) < 1, false)
            as is_standing
    from stop_samples as s
    inner join approach_starts as a on s.vehicle_id = a.vehicle_id and s.charge_no = a.charge_no
    inner join vehicle_settings as v on s.vehicle_id = v.vehicle_id
    where s.sampled_at >= a.approach_start_at
    window per_stop as (partition by s.vehicle_id, s.charge_no order by s.sampled_at)
),

timed as (
    select
        *,
        epoch(to_at - from_at) as step_s,
        epoch(to_at - from_at) > max_gap_s as is_gap,
        coalesce(heater_kw >= $heater_on_min_kw, is_state_on, false) as is_heating
    from steps
    where to_at is not null
),

judged as (
    select
        *,
        case
            when is_at_plug and (is_gap or pack_kw is null) then 'missing'
            when is_at_plug and pack_kw >= $plugged_min_kw then 'active'
            when
                is_at_plug and is_heating and cell_temp_min_degc < warm_threshold_degc
                then 'held'
            when is_at_plug then 'idle'
            when is_gap and coalesce(is_unmoved, is_standing) then 'parked'
            when is_gap then 'missing'
            when is_heating then 'warming'
            else 'driving'
        end as state
    from timed
)

select
    vehicle_id,
    charge_no,
    from_at,
    to_at,
    step_s,
    is_at_plug,
    state,
    soc_pct,
    cell_temp_min_degc,
    ambient_degc,
    has_heater_signal,
    pack_kw,
    case when not is_gap then pack_kw * step_s / 3600 end as pack_kwh,
    case
        when is_gap then null
        when heater_kw is not null then heater_kw * step_s / 3600
        when is_state_on then model_heater_kw * step_s / 3600
    end as heater_kwh,
    heater_kw is null and coalesce(is_state_on, false) as is_heater_estimated
from judged
