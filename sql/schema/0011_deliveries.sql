-- What goes to whom: one row per recipient, edition and set of documents.
create sequence delivery_item_ids start 1;

create table deliveries (
    item_id varchar primary key, -- as a person names it: d1, d2, ...
    message_id varchar not null, -- of the mail, the same however often it is tried
    week_id varchar not null,
    edition_no integer not null,
    documents varchar not null, -- kinds, in the order of the configuration, parted by commas
    channel varchar not null, -- mail | folder
    recipient varchar not null, -- mail address or folder
    -- Never null: a row about a driver goes with the driver. Empty where it is about nobody.
    driver_id varchar not null,
    folder varchar not null, -- of the edition; relative to the fleet folder where it lies in it
    files varchar not null, -- JSON list of path, name, sha256 and bytes
    content_sha256 varchar not null, -- over the files
    size_bytes bigint not null,
    has_people boolean not null, -- it may speak of single drivers
    -- waiting: not tried yet. handing_over: the other side may have it any moment. sent. failed: is
    -- tried again by itself. unsure: may have arrived. given_up: not sent, a person must act.
    -- closed: not sent, and nobody need act.
    state varchar not null,
    -- given_up: refused | five_days | changed. closed: replaced | not_wanted | settled.
    why varchar,
    said varchar, -- what the other side said last, or what went wrong
    tries_n integer not null,
    queued_at timestamptz not null,
    first_tried_at timestamptz,
    tried_at timestamptz,
    next_try_at timestamptz not null,
    unique (week_id, edition_no, channel, recipient, documents, driver_id)
);
