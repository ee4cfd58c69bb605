-- tidying_due: one row: the newest week with an edition, if nothing was tidied after it yet.
-- Inputs: made_editions, tidied_weeks. Parameters: none.
select max(week_id) as week_id
from made_editions
where week_id > coalesce((select max(t.week_id) from tidied_weeks as t), '')
