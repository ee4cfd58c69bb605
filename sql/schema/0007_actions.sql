-- What an edition asked somebody to do, so that the next one can say what became of it.

-- One row per edition that was made: one without actions still ends the list before it.
create table edition_lists (
    week_id varchar not null,
    actions_n integer not null
);

-- One row per action named on the first page of an edition, in the order printed.
create table edition_actions (
    week_id varchar not null,
    action_no integer not null,
    kind varchar not null, -- vehicle | site
    subject_id varchar not null,
    code varchar not null, -- of the finding
    avoidable_min double
);
