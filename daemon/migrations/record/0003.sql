-- What is known of a train's own constants beside the textbook's (rules/dependence.py), for people to read. The rules
-- themselves learn it again from the digests after a restart.
CREATE TABLE learned (
    train TEXT NOT NULL PRIMARY KEY,
    at REAL NOT NULL,
    body TEXT NOT NULL
) WITHOUT ROWID;
