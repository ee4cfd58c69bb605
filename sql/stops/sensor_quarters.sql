-- sensor_quarters: one row per vehicle and quarter of an hour of the scope's reach, with what tells
-- whether its cell temperature can be believed.
-- Inputs: samples, scope. Parameters: plugged_min_kw, standing_max_kmh, heater_on_min_kw.
-- driven_h and charged_h are the shares of samples that do, of the time from first to last.
with ranges as (
    select
        vehicle_id,
        min(read_from_at) as read_from_at,
        max(read_to_at) as read_to_at
    from scope
    group by vehicle_id
),

quarters as (
    select
        s.vehicle_id,
        epoch_ms(s.sampled_at) // 900000 as quarter_no,
        count(*) as samples_n,
        min(s.sampled_at) as first_at,
        max(s.sampled_at) as last_at,
        min(s.cell_temp_min_degc) as cell_low_degc,
        max(s.cell_temp_min_degc) as cell_high_degc,
        min(s.ambient_degc) as ambient_low_degc,
        max(s.ambient_degc) as ambient_high_degc,
        max(abs(s.cell_temp_min_degc - s.ambient_degc)) as apart_kelvin,
        count(s.cell_temp_min_degc) as cells_n,
        count(*) filter (where abs(s.speed_kmh) >= $standing_max_kmh) as driven_n,
        count(*) filter (
            where
            s.pack_power_kw >= $plugged_min_kw
            and coalesce(abs(s.speed_kmh), 0) < $standing_max_kmh
        ) as charged_n,
        count(*) filter (where s.is_connected or s.heater_power_kw >= $heater_on_min_kw) as fed_n
    from samples as s
    inner join ranges as r on s.vehicle_id = r.vehicle_id
    where
        s.sampled_at >= (select min(read_from_at) from ranges)
        and s.sampled_at < (select max(read_to_at) from ranges)
        and s.sampled_at >= r.read_from_at
        and s.sampled_at < r.read_to_at
    group by s.vehicle_id, quarter_no
)

select
    vehicle_id,
    quarter_no,
    first_at,
    last_at,
    cell_low_degc,
    cell_high_degc,
    ambient_low_degc,
    ambient_high_degc,
    apart_kelvin,
    cells_n,
    epoch(last_at - first_at) / 3600 * driven_n / samples_n as driven_h,
    epoch(last_at - first_at) / 3600 * charged_n / samples_n as charged_h,
    driven_n + charged_n > 0 as is_busy,
    fed_n > 0 as is_fed
from quarters
