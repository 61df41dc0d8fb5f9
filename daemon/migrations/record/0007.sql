-- Elements by their serial numbers, and every place that each was given, in order: the last is where it is. place is a
-- position such as 2-03/4, 'shelf' or 'scrapped' (train is then empty). at is when it was done, in plant time; nothing
-- is ever changed or deleted in element_move.
CREATE TABLE element (
    serial TEXT NOT NULL PRIMARY KEY,
    type TEXT NOT NULL,
    installed REAL
) WITHOUT ROWID;

CREATE TABLE element_move (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    serial TEXT NOT NULL REFERENCES element (serial),
    at REAL NOT NULL,
    train TEXT NOT NULL,
    place TEXT NOT NULL,
    by TEXT NOT NULL,
    detail TEXT NOT NULL
);
CREATE INDEX element_move_serial ON element_move (serial, at);
