-- rejected_by_older: one row per row of the newer export that contradicts an older one without
-- covering enough of it to be its correction. Inputs: contradictions, arrived_rows.
-- Parameters: none.
select
    a.file_row,
    any_value(a.first_at) as first_at
from arrived_rows as a
inner join contradictions as c on a.vehicle_id = c.vehicle_id and a.first_at = c.first_at
where not c.is_correction
group by a.file_row
order by a.file_row
