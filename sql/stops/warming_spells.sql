-- warming_spells: one row per stretch of battery warming on an approach that lasted at least
-- warming_min_s; stretches less than warming_join_s apart are one (method, section 3).
-- Inputs: stop_intervals. Parameters: warming_min_s, warming_join_s.
with heating as (
    select
        *,
        lag(to_at) over (
            partition by vehicle_id, charge_no order by from_at
        ) as heated_before_at
    from stop_intervals
    where state = 'warming'
),

numbered as (
    select
        *,
        count(*) filter (
            where heated_before_at is null or epoch(from_at - heated_before_at) >= $warming_join_s
        ) over (partition by vehicle_id, charge_no order by from_at) as spell_no
    from heating
)

select
    vehicle_id,
    charge_no,
    spell_no,
    min(from_at) as began_at,
    max(to_at) as ended_at,
    epoch(max(to_at) - min(from_at)) / 60 as spell_min,
    arg_min(cell_temp_min_degc, from_at) as began_cell_temp_min_degc
from numbered
group by vehicle_id, charge_no, spell_no
having epoch(max(to_at) - min(from_at)) >= $warming_min_s
