-- stop_course: the time course of one stop, one row per short span of time that has samples, from
-- the drawn part of the approach to unplugging. Time is in minutes from plug-in.
-- Inputs: samples. Parameters: vehicle_id, from_at, plug_in_at, to_at, span_s.
select
    avg(epoch(sampled_at - $plug_in_at)) / 60 as from_plug_in_min,
    min(cell_temp_min_degc) as cell_temp_min_degc,
    max(cell_temp_max_degc) as cell_temp_max_degc,
    avg(ambient_degc) as ambient_degc,
    avg(pack_power_kw) as pack_power_kw,
    avg(soc_pct) as soc_pct,
    avg(heater_power_kw) as heater_power_kw,
    bool_or(is_conditioning) as is_conditioning,
    count(*) as samples_n
from samples
where
    vehicle_id = $vehicle_id
    and sampled_at >= $from_at
    and sampled_at <= $to_at
group by floor(epoch(sampled_at - $plug_in_at) / $span_s)
order by from_plug_in_min
