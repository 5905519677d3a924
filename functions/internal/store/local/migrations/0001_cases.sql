-- One row an event, as JSON. Events are never changed or removed.
CREATE TABLE events (
    case_id TEXT    NOT NULL,
    k       INTEGER NOT NULL CHECK (k >= 1),
    event   TEXT    NOT NULL,
    PRIMARY KEY (case_id, k)
) STRICT;

CREATE TRIGGER events_are_not_changed BEFORE UPDATE ON events
BEGIN SELECT RAISE(ABORT, 'an event is never changed'); END;

CREATE TRIGGER events_are_not_removed BEFORE DELETE ON events
BEGIN SELECT RAISE(ABORT, 'an event is never removed'); END;

-- The projection of each case, as JSON; it can be rebuilt from the events.
CREATE TABLE heads (
    case_id TEXT    NOT NULL PRIMARY KEY,
    k       INTEGER NOT NULL,
    head    TEXT    NOT NULL
) STRICT;

-- The key of each case; NULL once it was destroyed, so that none is made anew.
CREATE TABLE case_keys (
    case_id  TEXT NOT NULL PRIMARY KEY,
    case_key BLOB
) STRICT;

-- Personal values, sealed under the key of their case.
CREATE TABLE personal (
    case_id TEXT NOT NULL,
    id      TEXT NOT NULL,
    sealed  BLOB NOT NULL,
    PRIMARY KEY (case_id, id)
) STRICT;

CREATE TABLE anchors (
    day  TEXT NOT NULL PRIMARY KEY,
    hash TEXT NOT NULL
) STRICT;
