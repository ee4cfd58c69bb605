-- weekly_cover: one row per vehicle with samples in the week: how many, on how many local days,
-- and how many of them carry each signal.
-- Inputs: samples, files. Parameters: from_at, to_at, zone.
select
    s.vehicle_id,
    count(*) as samples_n,
    count(distinct timezone($zone, s.sampled_at)::date) as days_with_data_n,
    median(f.median_interval_s) as median_interval_s,
    count(s.soc_pct) as soc_n,
    count(s.pack_power_kw) as pack_power_n,
    count(s.cell_temp_min_degc) as cell_temp_n,
    count(s.heater_power_kw) + count(s.is_conditioning) as heater_n,
    count(s.ambient_degc) as ambient_n,
    count(s.speed_kmh) as speed_n,
    count(s.odometer_km) as odometer_n,
    count(s.is_connected) as connected_n,
    count(s.latitude_deg) + count(s.site_id) as place_n
from samples as s
left join files as f on s.file_id = f.file_id
where s.sampled_at >= $from_at and s.sampled_at < $to_at
group by s.vehicle_id
