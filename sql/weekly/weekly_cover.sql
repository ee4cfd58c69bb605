-- weekly_cover: one row per vehicle with samples in the week: how many, on how many local days,
-- and how many of them carry each signal.
-- Inputs: samples, files. Parameters: from_at, to_at, zone.
-- Local days are told from quarters of an hour, of which no zone cuts one in two at midnight.
with quarters as (
    select
        vehicle_id,
        epoch_ms(sampled_at) // 900000 as quarter_no,
        file_id,
        count(*) as samples_n,
        count(soc_pct) as soc_n,
        count(pack_power_kw) as pack_power_n,
        count(cell_temp_min_degc) as cell_temp_n,
        count(heater_power_kw) + count(is_conditioning) as heater_n,
        count(ambient_degc) as ambient_n,
        count(speed_kmh) as speed_n,
        count(odometer_km) as odometer_n,
        count(is_connected) as connected_n,
        count(latitude_deg) + count(site_id) as place_n
    from samples
    where sampled_at >= $from_at and sampled_at < $to_at
    group by vehicle_id, quarter_no, file_id
)

select
    q.vehicle_id,
    sum(q.samples_n)::bigint as samples_n,
    count(distinct timezone($zone, make_timestamp_ms(q.quarter_no * 900000)::timestamptz)::date)
        as days_with_data_n,
    median(f.median_interval_s) as median_interval_s,
    sum(q.soc_n)::bigint as soc_n,
    sum(q.pack_power_n)::bigint as pack_power_n,
    sum(q.cell_temp_n)::bigint as cell_temp_n,
    sum(q.heater_n)::bigint as heater_n,
    sum(q.ambient_n)::bigint as ambient_n,
    sum(q.speed_n)::bigint as speed_n,
    sum(q.odometer_n)::bigint as odometer_n,
    sum(q.connected_n)::bigint as connected_n,
    sum(q.place_n)::bigint as place_n
from quarters as q
left join files as f on q.file_id = f.file_id
group by q.vehicle_id
