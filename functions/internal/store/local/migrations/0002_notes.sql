-- What belongs to no case: mappings of columns under a name, prints of nights.
CREATE TABLE notes (
    kind     TEXT NOT NULL,
    note_key TEXT NOT NULL,
    note     BLOB NOT NULL,
    PRIMARY KEY (kind, note_key)
) STRICT;
