-- approved_findings: one row per driver and kind of finding that documents may carry.
-- Input: people_findings. Parameters: none.
select
    driver_id,
    code
from people_findings
where state = 'approved'
