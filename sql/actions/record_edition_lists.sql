-- Records that an edition was made, and how many actions its first page names.
-- Inputs: edition_actions. Parameters: week_id.
insert into edition_lists
select
    $week_id as week_id,
    count(*) as actions_n
from edition_actions
where week_id = $week_id
