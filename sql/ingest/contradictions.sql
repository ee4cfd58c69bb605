-- contradictions: one row per stored row of an older export whose instant the newer one gives
-- other values for, and whether the newer one covers enough of the older to be its correction.
-- Inputs: old_rows, arrived_rows. Parameters: covered_share.
-- Judged per older file and vehicle, over the time that both speak of.
with reach as (
    select
        vehicle_id,
        min(first_at) as from_at,
        max(first_at) as to_at
    from arrived_rows
    group by vehicle_id
),

instants as (
    select distinct
        vehicle_id,
        first_at
    from arrived_rows
),

held as (
    select
        o.*,
        i.first_at is not null as is_covered,
        i.first_at is not null and a.row_text is null as is_contradicted
    from old_rows as o
    inner join reach as r
        on
        o.vehicle_id = r.vehicle_id
        and o.first_at >= r.from_at
        and o.first_at <= r.to_at
    left join instants as i on o.vehicle_id = i.vehicle_id and o.first_at = i.first_at
    left join arrived_rows as a
        on
        o.vehicle_id = a.vehicle_id
        and o.first_at = a.first_at
        and o.row_text = a.row_text
),

judged as (
    select
        *,
        avg(is_covered::integer) over (partition by file_id, vehicle_id) >= $covered_share
            as is_correction
    from held
)

select * exclude (is_covered, is_contradicted)
from judged
where is_contradicted
