-- doubt_rows: one row per vehicle of the scope whose cell temperature cannot be believed, in the
-- columns of table doubted_signals; the doubt that says most where several hold.
-- Inputs: scope, sensor_quarters, still_spells, soaks. Parameters: still_driven_h,
-- still_charged_h, still_least_h, outside_apart_kelvin, outside_least_h, offset_kelvin,
-- soak_proof_h, soak_margin_kelvin, never_warmer_degc, never_apart_kelvin, never_below_kelvin,
-- never_least_h.
-- frozen: one reading through hours of driving and charging. is_outside: never further from the
-- outside temperature than both readings' resolution, through the same. offset: after soaks the
-- coldest cell was off by the offset of raw bytes; not_at_outside: off by anything else. A vehicle
-- plugged in every night has no soaks: it is held to what no pack does, to stay hot all week in
-- the cold, or to stay colder than the air through driving and charging (offset too).
with frozen as (
    select
        vehicle_id,
        'frozen' as doubt,
        1 as rank_no,
        null::double as evidence_kelvin,
        driven_h + charged_h as evidence_h,
        cells_n::integer as evidence_n,
        from_at,
        to_at
    from still_spells
    where
        driven_h >= $still_driven_h
        and charged_h >= $still_charged_h
        and driven_h + charged_h >= $still_least_h
),

outside as (
    select
        vehicle_id,
        'is_outside' as doubt,
        2 as rank_no,
        max(apart_kelvin) as evidence_kelvin,
        sum(driven_h) + sum(charged_h) as evidence_h,
        sum(cells_n)::integer as evidence_n,
        min(first_at) as from_at,
        max(last_at) as to_at
    from sensor_quarters
    where cells_n > 0
    group by vehicle_id
    having
        bool_and(coalesce(apart_kelvin <= $outside_apart_kelvin, false))
        and sum(driven_h) + sum(charged_h) >= $outside_least_h
        and sum(charged_h) >= $still_charged_h
),

soaked as (
    select
        vehicle_id,
        median(off_kelvin) filter (where abs(off_kelvin) > allowed_kelvin) as evidence_kelvin,
        max(soak_h) filter (where abs(off_kelvin) > allowed_kelvin) as evidence_h,
        count(*) filter (where abs(off_kelvin) > allowed_kelvin)::integer as evidence_n,
        count(*) filter (where abs(off_kelvin) <= $soak_margin_kelvin) as well_n,
        min(from_at) as from_at,
        max(to_at) as to_at
    from soaks
    group by vehicle_id
),

off as (
    select
        vehicle_id,
        case
            when abs(abs(evidence_kelvin) - $offset_kelvin) <= 2 * $soak_margin_kelvin
                then 'offset'
            else 'not_at_outside'
        end as doubt,
        3 as rank_no,
        evidence_kelvin,
        evidence_h,
        evidence_n,
        from_at,
        to_at
    from soaked
    where
        evidence_n > well_n
        and (evidence_n >= 2 or evidence_h >= $soak_proof_h)
),

never as (
    select
        vehicle_id,
        'offset' as doubt,
        4 as rank_no,
        median((cell_low_degc + cell_high_degc - ambient_low_degc - ambient_high_degc) / 2)
            as evidence_kelvin,
        sum(driven_h) + sum(charged_h) as evidence_h,
        sum(cells_n)::integer as evidence_n,
        min(first_at) as from_at,
        max(last_at) as to_at
    from sensor_quarters
    where cells_n > 0
    group by vehicle_id
    having
        sum(driven_h) + sum(charged_h) >= $never_least_h
        and (
            bool_and(
                coalesce(
                    cell_low_degc >= $never_warmer_degc
                    and cell_low_degc - ambient_high_degc >= $never_apart_kelvin,
                    false
                )
            )
            or bool_and(
                coalesce(ambient_low_degc - cell_high_degc >= $never_below_kelvin, false)
            )
        )
),

every_doubt as (
    select * from frozen
    union all
    select * from outside
    union all
    select * from off
    union all
    select * from never
)

select
    d.vehicle_id,
    c.week_id,
    'cell_temp_min_degc' as signal,
    d.doubt,
    d.evidence_kelvin,
    d.evidence_h,
    d.evidence_n,
    d.from_at,
    d.to_at
from every_doubt as d
inner join scope as c on d.vehicle_id = c.vehicle_id
qualify row_number() over (partition by d.vehicle_id order by d.rank_no, d.from_at) = 1
