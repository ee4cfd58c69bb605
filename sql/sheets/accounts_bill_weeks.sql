-- accounts_bill_weeks: one row with how many of the month's weeks have been reconciled.
-- Inputs: reconciliation. Parameters: week_ids (list).
select count(distinct week_id) as weeks_n
from reconciliation
where week_id in (select unnest($week_ids::varchar[]))
