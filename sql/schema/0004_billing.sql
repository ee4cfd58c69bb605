-- What a charge was billed by, and rows that are used although something in them had to be put
-- right or left out.
alter table reported_sessions add column parking_min double; -- billed as not charging
alter table reported_sessions add column record_id varchar; -- the biller's own number
alter table reported_sessions add column evse_id varchar; -- outlet, as printed on it

-- One row per row put right: where it stood, why, what stood there, what is used instead.
create table mended_rows (
    file_id integer not null,
    file_path varchar not null,
    file_row bigint not null,
    rule varchar not null,
    column_name varchar,
    value varchar,
    used_instead varchar
);
