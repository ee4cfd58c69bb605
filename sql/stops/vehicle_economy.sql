-- vehicle_economy: one row per vehicle with its recent kilometres per kWh on approaches, from
-- at least 20 km; heater energy is in it, as it is on the road.
-- Inputs: stop_samples, approach_starts, stop_intervals. Parameters: none.
with distances as (
    select
        s.vehicle_id,
        s.charge_no,
        max(s.odometer_km) - min(s.odometer_km) as driven_km
    from stop_samples as s
    inner join approach_starts as a on s.vehicle_id = a.vehicle_id and s.charge_no = a.charge_no
    where not s.is_at_plug and s.sampled_at >= a.approach_start_at
    group by s.vehicle_id, s.charge_no
),

energies as (
    select
        vehicle_id,
        charge_no,
        -sum(pack_kwh) as used_kwh,
        count(*) filter (where state = 'missing') as missing_n
    from stop_intervals
    where not is_at_plug
    group by vehicle_id, charge_no
)

select
    d.vehicle_id,
    sum(d.driven_km) / sum(e.used_kwh) as km_per_kwh
from distances as d
inner join energies as e on d.vehicle_id = e.vehicle_id and d.charge_no = e.charge_no
where e.missing_n = 0 and d.driven_km > 0 and e.used_kwh > 0
group by d.vehicle_id
having sum(d.driven_km) >= 20
