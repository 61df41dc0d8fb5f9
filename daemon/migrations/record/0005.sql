-- What became of what people did (rules/assessment.py), and how far a train has come on its way back to service
-- (rules/service.py). t is when the job ended; event as in the table of events.
CREATE TABLE assessment (
    train TEXT NOT NULL,
    t REAL NOT NULL,
    event TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (train, t, event)
) WITHOUT ROWID;

CREATE TABLE service (
    train TEXT NOT NULL,
    t REAL NOT NULL,
    event TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (train, t, event)
) WITHOUT ROWID;
