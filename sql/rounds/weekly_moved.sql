-- weekly_moved: the newest comparison that an edition of this week tells or told; none or
-- one row. Inputs: figure_comparisons. Parameters: week_id.
select *
from figure_comparisons
where told_week_id is null or told_week_id = $week_id
order by compared_at desc
limit 1
