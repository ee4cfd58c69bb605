-- Records an edition that was made. Parameters: week_id, edition_no, made_at, program_version,
-- method_version, fingerprint, reason, changes (JSON), folder, facts_hash, stop_list_hash,
-- is_for_delivery.
insert into made_editions by name
select
    $week_id as week_id,
    $edition_no as edition_no,
    $made_at as made_at,
    $program_version as program_version,
    $method_version as method_version,
    $fingerprint as fingerprint,
    $reason as reason,
    $changes as changes,
    $folder as folder,
    $facts_hash as facts_hash,
    $stop_list_hash as stop_list_hash,
    $is_for_delivery as is_for_delivery,
    false as is_queued
