-- still_spells: one row per vehicle and stretch of quarters of an hour in which the coldest cell
-- stayed at one and the same reading, with the driving and charging in it.
-- Inputs: sensor_quarters. Parameters: none.
with flat as (
    select
        *,
        coalesce(
            cell_low_degc != cell_high_degc
            or cell_low_degc != lag(cell_low_degc) over per_vehicle
            or cell_high_degc != lag(cell_high_degc) over per_vehicle,
            true
        ) as is_turn
    from sensor_quarters
    where cells_n > 0
    window per_vehicle as (partition by vehicle_id order by quarter_no)
),

numbered as (
    select
        *,
        sum(is_turn::integer) over (partition by vehicle_id order by quarter_no) as spell_no
    from flat
)

select
    vehicle_id,
    min(first_at) as from_at,
    max(last_at) as to_at,
    sum(cells_n)::bigint as cells_n,
    sum(driven_h) as driven_h,
    sum(charged_h) as charged_h
from numbered
group by vehicle_id, spell_no
having min(cell_low_degc) = max(cell_high_degc)
