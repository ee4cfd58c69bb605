-- Which editions were made, what they said, and which of it an upgrade moved.

-- One row per edition of a week: the first, and each that said something else.
create table made_editions (
    week_id varchar not null,
    edition_no integer not null,
    made_at timestamptz not null,
    program_version varchar not null,
    method_version varchar not null,
    fingerprint varchar not null, -- of the configuration
    reason varchar not null, -- first | late_data | upgrade | configuration | asked
    changes json not null, -- against the edition before it: figure, before, now
    folder varchar not null, -- below the fleet folder, or absolute
    facts_hash varchar not null, -- of the week's facts when it was last looked at
    stop_list_hash varchar not null, -- of its stops with outcome, reason and site
    is_for_delivery boolean not null, -- recipients get it: not what was asked of older weeks
    is_queued boolean not null -- handed to the delivery
);

-- One row per edition and figure: what it said, to be held against later.
create table edition_figures (
    week_id varchar not null,
    edition_no integer not null,
    figure varchar not null,
    figure_value double -- in the unit that `figure` names
);

-- One row per edition that another program, method or configuration was held against: the same
-- week from the same data.
create table figure_comparisons (
    week_id varchar not null,
    edition_no integer not null,
    compared_at timestamptz not null,
    reason varchar not null, -- upgrade | configuration
    before_program_version varchar not null,
    before_method_version varchar not null,
    program_version varchar not null,
    method_version varchar not null,
    fingerprint varchar not null,
    changes json not null, -- figure, before, now; those that print otherwise
    has_new_data boolean not null, -- files came in after the edition, so it was not they alone
    told_week_id varchar -- the edition that told it; null: not told yet
);

-- One row: the newest edition's week, under whose fit the minutes of its year stand, and the facts
-- that it was learned from.
create table standing_fit (
    fit_week_id varchar not null,
    facts_hash varchar not null
);

-- One row per week after whose edition the retention ran and a backup was made.
create table tidied_weeks (
    week_id varchar not null
);
