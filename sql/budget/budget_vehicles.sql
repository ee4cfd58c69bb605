-- budget_vehicles: one row per vehicle with a model, with what range its warming took so far.
-- Inputs: vehicle_settings, stops. Parameters: none.
-- Distance per energy is that of its warmed stops, else the configured one; null where neither is.
with seen as (
    select
        vehicle_id,
        sum(range_given_up_km) / sum(warming_kwh) as km_per_kwh
    from stops
    where warming_kwh > 0 and range_given_up_km is not null
    group by vehicle_id
)

select
    v.vehicle_id,
    v.model_id,
    v.can_warm,
    coalesce(s.km_per_kwh, v.km_per_kwh) as km_per_kwh
from vehicle_settings as v
left join seen as s on v.vehicle_id = s.vehicle_id
where v.model_id is not null
order by v.vehicle_id
