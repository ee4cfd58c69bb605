-- comparison_done: one row: was this edition held against this program, method and configuration?
-- Inputs: figure_comparisons. Parameters: week_id, edition_no, program_version, method_version,
-- fingerprint.
select count(*) > 0 as is_done
from figure_comparisons
where
    week_id = $week_id
    and edition_no = $edition_no
    and program_version = $program_version
    and method_version = $method_version
    and fingerprint = $fingerprint
