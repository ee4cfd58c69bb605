-- first_actions: one row per action on the first page of an edition, in the order printed.
-- Only vehicles and sites: a mail names no driver. Input: edition_actions. Parameters: week_id.
select
    kind,
    subject_id,
    code
from edition_actions
where week_id = $week_id and kind in ('vehicle', 'site')
order by action_no
