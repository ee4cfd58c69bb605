-- What was replaced, what is doubted, and rows set aside as they stood in the export.

-- How many rows of a file a later, corrected export has replaced; they lie in superseded_rows.
alter table files add column rows_superseded_n bigint default 0;

-- The mapped cells of a row set aside, as a JSON object by column of the export; null where the
-- row was too long to keep, or was set aside by a version that did not keep it.
alter table quarantine add column raw_row varchar;

-- One row per row that a corrected export has replaced, kept for audit.
create table superseded_rows (
    kind varchar not null, -- as in files
    file_id integer not null,
    file_row bigint not null,
    vehicle_id varchar not null,
    first_at timestamptz not null,
    last_at timestamptz not null,
    row_text varchar not null, -- its values, as a JSON object by signal
    superseded_by_id integer not null, -- the file that replaced it
    superseded_by_path varchar not null,
    superseded_at timestamptz not null
);

-- One row per vehicle of a file that replaces others or may: the time it covers, whichever of its
-- rows were repeats. An older version that comes in later is held to it.
create table file_reaches (
    file_id integer not null,
    vehicle_id varchar not null,
    from_at timestamptz not null,
    to_at timestamptz not null
);

-- One row per pair of exports of which the operator said that one replaces the other.
create table replacements (
    old_path varchar not null,
    new_path varchar not null,
    is_whole boolean not null, -- every row of the old file, not only the time the new one covers
    said_at timestamptz not null,
    unique (old_path, new_path)
);

-- One row per vehicle, local week and signal that failed a test of plausibility and is not used.
create table doubted_signals (
    vehicle_id varchar not null,
    week_id varchar not null,
    signal varchar not null, -- as in samples: cell_temp_min_degc
    doubt varchar not null, -- frozen | is_outside | offset | not_at_outside
    evidence_kelvin double, -- median distance from outside; is_outside: the most
    evidence_h double, -- of driving and charging, or of the longest soak
    evidence_n integer not null, -- soaks, or samples, that the doubt rests on
    from_at timestamptz not null,
    to_at timestamptz not null
);
