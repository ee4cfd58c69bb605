-- One row per driver and kind of finding not known yet; it waits for a person's word.
-- Input: found_people (driver_id, code). Parameters: week_id, now.
insert into people_findings (
    finding_id, driver_id, code, first_week_id, last_week_id, state, found_at
)
select
    'p' || nextval('people_finding_ids') as finding_id,
    f.driver_id,
    f.code,
    $week_id as first_week_id,
    $week_id as last_week_id,
    'waiting' as state,
    $now as found_at
from (
    select distinct
        driver_id,
        code
    from found_people
) as f
left join people_findings as p on f.driver_id = p.driver_id and f.code = p.code
where p.finding_id is null
