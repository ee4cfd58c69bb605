-- site_powers: one row per vehicle model and power of the sites it charges at, the six most used;
-- a null power is that of sites that give all the vehicle takes.
-- Inputs: advice_stops. Parameters: none.
select
    model_id,
    site_power_kw,
    count(*) as stops_n
from advice_stops
where site_power_source is not null
group by model_id, site_power_kw
qualify row_number() over (partition by model_id order by count(*) desc, site_power_kw asc) <= 6
order by model_id asc, stops_n desc, site_power_kw asc
