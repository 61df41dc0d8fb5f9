-- People who may write on the page, with their passwords as salted scrypt hashes (n, r, p: its cost). folded is the
-- name as it is compared: whoever types it on a phone need not think of capitals.
CREATE TABLE person (
    folded TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    salt BLOB NOT NULL,
    hash BLOB NOT NULL,
    n INTEGER NOT NULL,
    r INTEGER NOT NULL,
    p INTEGER NOT NULL
) WITHOUT ROWID;

-- Who is signed in. token is the SHA-256 of what the cookie holds. Times are wall time in seconds since 1970-01-01 UTC.
CREATE TABLE session (
    token BLOB NOT NULL PRIMARY KEY,
    person TEXT NOT NULL REFERENCES person (folded) ON DELETE CASCADE,
    csrf TEXT NOT NULL,
    begun REAL NOT NULL,
    until REAL NOT NULL
) WITHOUT ROWID;
CREATE INDEX session_person ON session (person);

-- Forms of the page that have been acted on, so that one sent twice does its work once.
CREATE TABLE submitted (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    once TEXT NOT NULL UNIQUE
);
