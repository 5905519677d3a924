-- One row an entry, as JSON. Entries are never changed or removed.
CREATE TABLE entries (
    ledger TEXT    NOT NULL,
    n      INTEGER NOT NULL CHECK (n >= 1),
    entry  TEXT    NOT NULL,
    PRIMARY KEY (ledger, n)
) STRICT;

CREATE INDEX ledger_names ON entries (ledger) WHERE n = 1;

CREATE TRIGGER entries_are_not_changed BEFORE UPDATE ON entries
BEGIN SELECT RAISE(ABORT, 'an entry is never changed'); END;

CREATE TRIGGER entries_are_not_removed BEFORE DELETE ON entries
BEGIN SELECT RAISE(ABORT, 'an entry is never removed'); END;
