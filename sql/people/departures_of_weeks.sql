-- departures_of_weeks: one row per document that left the folder and may speak of the person.
-- Input: departures. Parameters: week_ids (list).
select
    departed_at,
    week_id,
    what,
    channel
from departures
where has_people and (week_id is null or week_id in (select unnest($week_ids::varchar[])))
order by departed_at, what
