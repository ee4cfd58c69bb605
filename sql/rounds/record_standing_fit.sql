-- Records the fit that stands. Parameters: fit_week_id, facts_hash.
insert into standing_fit
select
    $fit_week_id as fit_week_id,
    $facts_hash as facts_hash
