-- explained_samples: samples of one stop, from the lead window to unplugging, thinned to about
-- forty rows; those nearest to plug-in are kept.
-- Inputs: samples, files. Parameters: vehicle_id, from_at, plug_in_at, to_at.
with numbered as (
    select
        s.*,
        f.file_path,
        epoch(s.sampled_at - $plug_in_at) / 60 as from_plug_in_min,
        row_number() over (order by s.sampled_at) as sample_no,
        count(*) over () as samples_n
    from samples as s
    left join files as f on s.file_id = f.file_id
    where
        s.vehicle_id = $vehicle_id
        and s.sampled_at >= $from_at
        and s.sampled_at <= $to_at
)

select
    from_plug_in_min,
    sampled_at,
    speed_kmh,
    soc_pct,
    pack_power_kw,
    cell_temp_min_degc,
    heater_power_kw,
    is_conditioning,
    ambient_degc,
    file_path,
    file_row
from numbered
where
    (sample_no - 1) % greatest(1, samples_n // 40) = 0
    or sample_no = samples_n
    or abs(from_plug_in_min) < 0.26
order by sampled_at
