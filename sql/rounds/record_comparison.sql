-- Records what another program, method or configuration moved. Parameters: week_id, edition_no,
-- compared_at, reason, before_program_version, before_method_version, program_version,
-- method_version, fingerprint, changes (JSON), has_new_data.
insert into figure_comparisons by name
select
    $week_id as week_id,
    $edition_no as edition_no,
    $compared_at as compared_at,
    $reason as reason,
    $before_program_version as before_program_version,
    $before_method_version as before_method_version,
    $program_version as program_version,
    $method_version as method_version,
    $fingerprint as fingerprint,
    $changes as changes,
    $has_new_data as has_new_data,
    null as told_week_id
