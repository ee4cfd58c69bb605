-- superseded_by_newer: one row per stored row that a newer export corrects, by its own evidence.
-- Input: contradictions. Parameters: none.
select * exclude (is_correction)
from contradictions
where is_correction
