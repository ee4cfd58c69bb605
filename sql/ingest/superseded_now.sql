-- superseded_now: one row per stored row of older exports that a newer one replaces: those of its
-- vehicles within the time it covers (of the files in whole_ids, all) that it does not repeat.
-- What lies in the time of a still newer export (held_ids) stays: that one has confirmed it.
-- Inputs: old_rows, arrived_rows, file_reaches. Parameters: newer_id, whole_ids and held_ids
-- (lists).
select o.*
from old_rows as o
left join file_reaches as r
    on
    o.vehicle_id = r.vehicle_id
    and o.first_at >= r.from_at
    and o.first_at <= r.to_at
    and r.file_id = $newer_id
anti join arrived_rows as a
    on
    o.vehicle_id = a.vehicle_id
    and o.first_at = a.first_at
    and o.row_text = a.row_text
anti join file_reaches as h
    on
    o.vehicle_id = h.vehicle_id
    and o.first_at >= h.from_at
    and o.first_at <= h.to_at
    and h.file_id in (select unnest($held_ids::integer[]))
where
    r.vehicle_id is not null
    or o.file_id in (select unnest($whole_ids::integer[]))
