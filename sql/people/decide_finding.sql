-- Writes a person's word on one finding. Parameters: finding_id, state, said_by, now.
update people_findings
set
    state = $state,
    decided_at = $now,
    decided_by = $said_by
where finding_id = $finding_id
