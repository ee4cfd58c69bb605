-- health_editions: at most one row, the newest edition of the newest week, and when any was made.
-- Input: made_editions.
select
    week_id as edition_week_id,
    edition_no,
    max(made_at) over () as edition_made_at
from made_editions
order by week_id desc, edition_no desc
limit 1
