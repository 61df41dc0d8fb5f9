-- Times are seconds since 1970-01-01 UTC. `t` is plant time, `wall` the gateway's own clock.

CREATE TABLE tag (
    id INTEGER PRIMARY KEY,
    tag TEXT NOT NULL UNIQUE
) STRICT;

-- Every reading of the last days, in SI units; v is NULL where q is 2 (bad), to be used where q
-- is 0 (good), and kept where q is 1 (uncertain).
CREATE TABLE raw (
    tag_id INTEGER NOT NULL REFERENCES tag(id),
    t REAL NOT NULL,
    v REAL,
    q INTEGER NOT NULL,
    PRIMARY KEY (tag_id, t)
) STRICT, WITHOUT ROWID;

-- The order of the columns in the arrays of a train, each order once.
CREATE TABLE layout (
    id INTEGER PRIMARY KEY,
    train TEXT NOT NULL,
    signals TEXT NOT NULL,
    UNIQUE (train, signals)
) STRICT;

-- Little-endian arrays: "values" float64 means, good uint16 counts, worst uint8 qualities.
CREATE TABLE minute (
    train TEXT NOT NULL,
    t INTEGER NOT NULL,
    layout INTEGER NOT NULL REFERENCES layout(id),
    frames INTEGER NOT NULL,
    down TEXT NOT NULL,
    "values" BLOB NOT NULL,
    good BLOB NOT NULL,
    worst BLOB NOT NULL,
    PRIMARY KEY (train, t)
) STRICT, WITHOUT ROWID;

-- The newest frame of each train, for the page.
CREATE TABLE latest (
    train TEXT PRIMARY KEY,
    t REAL NOT NULL,
    wall REAL NOT NULL,
    layout INTEGER NOT NULL REFERENCES layout(id),
    down TEXT NOT NULL,
    reasons TEXT NOT NULL,
    "values" BLOB NOT NULL,
    quality BLOB NOT NULL
) STRICT;

-- What happened to the watching itself: links, clocks, the daemon, the plant's running.
CREATE TABLE fact (
    id INTEGER PRIMARY KEY,
    t REAL NOT NULL,
    wall REAL NOT NULL,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    detail TEXT NOT NULL
) STRICT;

CREATE INDEX fact_by_time ON fact (t);
