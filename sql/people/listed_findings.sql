-- listed_findings: one row per finding about a person, those that wait first.
-- Input: people_findings. Parameters: none.
select
    finding_id,
    driver_id,
    code,
    first_week_id,
    last_week_id,
    state,
    decided_at,
    decided_by
from people_findings
order by state != 'waiting', length(finding_id), finding_id
