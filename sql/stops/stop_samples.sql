-- stop_samples: one row per sample on the approach to a charge or during it.
-- Inputs: samples, charge_spans, files, doubt_rows. Parameters: gap_min_s.
-- A cell temperature that cannot be believed is not read.
-- The sample at which the charge before ended stays with that charge.
with bounds as (
    select
        min(approach_from_at) as from_at,
        max(plug_out_at) as to_at
    from charge_spans
)

select
    c.vehicle_id,
    c.charge_no,
    c.plug_in_at,
    s.sampled_at,
    s.sampled_at >= c.plug_in_at as is_at_plug,
    s.soc_pct,
    s.pack_power_kw,
    case when d.vehicle_id is null then s.cell_temp_min_degc end as cell_temp_min_degc,
    s.ambient_degc,
    s.heater_power_kw,
    s.is_conditioning,
    s.speed_kmh,
    s.odometer_km,
    s.charge_mode,
    s.site_id,
    s.latitude_deg,
    s.longitude_deg,
    s.file_id,
    s.file_row,
    greatest($gap_min_s, 5 * coalesce(f.median_interval_s, 0)) as max_gap_s
from charge_spans as c
inner join samples as s
    on c.vehicle_id = s.vehicle_id
    and c.approach_from_at < s.sampled_at
    and c.plug_out_at >= s.sampled_at
left join files as f on s.file_id = f.file_id
left join doubt_rows as d on c.vehicle_id = d.vehicle_id
where
    s.sampled_at >= (select from_at from bounds)
    and s.sampled_at <= (select to_at from bounds)
