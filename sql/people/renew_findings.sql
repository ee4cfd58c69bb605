-- Keeps the first and last week in which a known finding was made.
-- Input: found_people (driver_id, code). Parameters: week_id.
update people_findings as p
set
    first_week_id = least(p.first_week_id, $week_id),
    last_week_id = greatest(p.last_week_id, $week_id)
from found_people as f
where p.driver_id = f.driver_id and p.code = f.code
