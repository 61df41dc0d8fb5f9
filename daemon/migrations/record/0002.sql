-- How far each stream of a train has been taken by the forwarding target. Times are plant time in seconds since
-- 1970-01-01 UTC. From resend_from on, everything is sent again after a restart or a loss of the target: what was
-- taken last may have been lost there.
CREATE TABLE forwarded (
    train TEXT NOT NULL,
    stream TEXT NOT NULL,
    until REAL NOT NULL,
    resend_from REAL NOT NULL,
    PRIMARY KEY (train, stream)
) WITHOUT ROWID;

-- Lines that the target refused each by itself, with its words. They are not sent again.
CREATE TABLE forward_dead (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    t REAL NOT NULL,
    line TEXT NOT NULL UNIQUE,
    error TEXT NOT NULL
);
