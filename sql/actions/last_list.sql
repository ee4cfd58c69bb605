-- The week of the last edition before a week; one row, null where there is none.
-- Inputs: edition_lists. Parameters: week_id.
select max(week_id) as week_id
from edition_lists
where week_id < $week_id
