-- What is kept of decisions about people: findings that wait for a person's word, what was
-- forgotten (without a name), what left this folder, and how far back rows are still kept.
create sequence people_finding_ids start 1;

-- One row per driver and kind of finding. None stands in a document unless it is approved.
create table people_findings (
    finding_id varchar primary key,
    driver_id varchar not null,
    code varchar not null, -- what is found, as the stage that found it names it
    first_week_id varchar not null,
    last_week_id varchar not null,
    state varchar not null, -- waiting | approved | withdrawn
    found_at timestamptz not null,
    decided_at timestamptz,
    decided_by varchar,
    unique (driver_id, code)
);

-- One row per person forgotten: what became of the data, nothing of the person.
create table forgettings (
    begun_at timestamptz not null,
    who_hash varchar not null, -- as in forgotten.txt; says nothing without the key
    finished_at timestamptz, -- null: it was broken off, and has to be said again
    said_by varchar not null,
    rows_changed_n bigint not null,
    files_rewritten_n bigint not null,
    files_dropped_n bigint not null,
    editions_n bigint not null
);

-- One row per document or file that was sent or written outside the fleet folder.
create table departures (
    departed_at timestamptz not null,
    week_id varchar,
    what varchar not null, -- report | sheets | access | ...
    channel varchar not null, -- e-mail | folder | ...
    has_people boolean not null -- it may speak of single drivers
);

-- One row per run of the retention that removed samples. Weeks before the newest are closed:
-- they are never computed again, because their samples are gone.
create table retention_marks (
    marked_at timestamptz not null,
    samples_from_at timestamptz not null
);
