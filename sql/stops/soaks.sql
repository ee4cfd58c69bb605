-- soaks: one row per pause of the scope's reach that was long enough for the pack to near the
-- outside air, with how far its coldest cell then was from it, and how far it may have been.
-- Inputs: sensor_quarters, vehicle_settings. Parameters: soak_least_h, soak_margin_kelvin,
-- soak_tau_h.
-- Unplugged and unheated all the while; vehicles that park indoors are left out. Outside is taken
-- for all between the readings at both ends. A pack loses its distance from it no slower than
-- with the longest plausible time constant (method, section 6), which is what is allowed for.
with numbered as (
    select
        *,
        sum(is_fed::integer) over per_vehicle as fed_n
    from sensor_quarters
    window per_vehicle as (partition by vehicle_id order by quarter_no)
),

pauses as (
    select
        vehicle_id,
        first_at as to_at,
        lag(last_at) over per_vehicle as from_at,
        fed_n = lag(fed_n - is_fed::integer) over per_vehicle as is_unfed,
        lag(apart_kelvin) over per_vehicle as start_apart_kelvin,
        cell_low_degc,
        cell_high_degc,
        least(ambient_low_degc, lag(ambient_low_degc) over per_vehicle) as ambient_low_degc,
        greatest(ambient_high_degc, lag(ambient_high_degc) over per_vehicle) as ambient_high_degc
    from numbered
    where is_busy
    window per_vehicle as (partition by vehicle_id order by quarter_no)
),

soaked as (
    select
        p.vehicle_id,
        p.from_at,
        p.to_at,
        epoch(p.to_at - p.from_at) / 3600 as soak_h,
        p.start_apart_kelvin,
        greatest(p.cell_low_degc - p.ambient_high_degc, 0)
        - greatest(p.ambient_low_degc - p.cell_high_degc, 0) as off_kelvin
    from pauses as p
    inner join vehicle_settings as v on p.vehicle_id = v.vehicle_id
    where
        p.is_unfed
        and not v.is_parked_indoors
        and epoch(p.to_at - p.from_at) / 3600 >= $soak_least_h
        and p.start_apart_kelvin is not null
        and p.cell_low_degc is not null
        and p.ambient_low_degc is not null
)

select
    vehicle_id,
    from_at,
    to_at,
    soak_h,
    off_kelvin,
    $soak_margin_kelvin + start_apart_kelvin * exp(-soak_h / $soak_tau_h) as allowed_kelvin
from soaked
