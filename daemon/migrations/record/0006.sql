-- Surveys (permeate of every vessel of a stage) and probes (along the permeate tube of one vessel), as people enter them.
-- place: the stage, or the vessel. Times are plant time in seconds since 1970-01-01 UTC. answer is NULL while it is open.
CREATE TABLE sampling (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    kind TEXT NOT NULL CHECK (kind IN ('survey', 'probe')),
    train TEXT NOT NULL,
    place TEXT NOT NULL,
    at REAL NOT NULL,
    by TEXT NOT NULL,
    meter TEXT NOT NULL,
    conditions TEXT NOT NULL,
    answer TEXT,
    finished REAL
);
CREATE INDEX sampling_place ON sampling (kind, train, place, at);

-- One reading: of a vessel, or at a distance in mm. us_cm is what the meter showed; a reading that was entered again
-- for the same place stays, replaced.
CREATE TABLE sample (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    sampling INTEGER NOT NULL REFERENCES sampling (id),
    place TEXT NOT NULL,
    us_cm REAL NOT NULL,
    temperature_c REAL,
    at REAL NOT NULL,
    by TEXT NOT NULL,
    replaced INTEGER NOT NULL DEFAULT 0 CHECK (replaced IN (0, 1))
);
CREATE INDEX sample_sampling ON sample (sampling, place);
