-- The record of a plant: what was concluded, told and done. Times are plant time in seconds since 1970-01-01 UTC.

CREATE TABLE digest (
    train TEXT NOT NULL,
    start REAL NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (train, start)
);

CREATE TABLE baseline (
    train TEXT NOT NULL,
    made_at REAL NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (train, made_at)
) WITHOUT ROWID;

-- Last minute of a train whose conclusions are in this file, the instant of that evaluation and the train's state.
CREATE TABLE progress (
    train TEXT PRIMARY KEY,
    minute REAL NOT NULL,
    at REAL NOT NULL,
    state TEXT NOT NULL
) WITHOUT ROWID;

-- One row for each matter that is pending (id is NULL) or has been raised; live = 0 once it is closed.
CREATE TABLE notice (
    id TEXT UNIQUE,
    train TEXT NOT NULL,
    number INTEGER,
    matter TEXT NOT NULL,
    live INTEGER NOT NULL CHECK (live IN (0, 1)),
    state TEXT NOT NULL,
    body TEXT NOT NULL
);
CREATE UNIQUE INDEX notice_live ON notice (train, matter) WHERE live = 1;
CREATE INDEX notice_number ON notice (train, number);

-- Every step of every notice; number counts the steps of one notice.
CREATE TABLE journal (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    at REAL NOT NULL,
    train TEXT NOT NULL,
    notice TEXT NOT NULL,
    number INTEGER NOT NULL,
    event TEXT NOT NULL,
    body TEXT NOT NULL,
    UNIQUE (notice, number)
);

-- One message to one address of one contact. url is the position in the contact's list: the address is a secret.
CREATE TABLE outgoing (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    journal_seq INTEGER NOT NULL REFERENCES journal (seq),
    key TEXT NOT NULL,
    train TEXT NOT NULL,
    notice TEXT NOT NULL,
    event TEXT NOT NULL,
    contact TEXT NOT NULL,
    url INTEGER NOT NULL,
    notice_class TEXT NOT NULL,
    title TEXT NOT NULL,
    body TEXT NOT NULL,
    not_before REAL NOT NULL,
    state TEXT NOT NULL DEFAULT 'waiting'
        CHECK (state IN ('waiting', 'sent', 'superseded', 'needs_person')),
    attempts INTEGER NOT NULL DEFAULT 0,
    error TEXT NOT NULL DEFAULT '',
    sent_at REAL,
    superseded_by INTEGER REFERENCES outgoing (id)
);
CREATE INDEX outgoing_open ON outgoing (not_before) WHERE state IN ('waiting', 'needs_person');
CREATE INDEX outgoing_notice ON outgoing (notice, contact, url) WHERE state IN ('waiting', 'needs_person');

-- Maintenance and other events that people report.
CREATE TABLE event (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    t REAL NOT NULL,
    train TEXT NOT NULL,
    event TEXT NOT NULL,
    detail TEXT NOT NULL,
    by TEXT NOT NULL
);
CREATE INDEX event_train ON event (train, t);
