-- What lists of cases are selected and sorted by, as casework.Order says. The
-- values follow from the line itself; form 0 has the line made anew.
ALTER TABLE heads ADD COLUMN form      INTEGER NOT NULL DEFAULT 0;
ALTER TABLE heads ADD COLUMN state     TEXT NOT NULL DEFAULT '';
ALTER TABLE heads ADD COLUMN region    TEXT NOT NULL DEFAULT '';
ALTER TABLE heads ADD COLUMN owner     TEXT NOT NULL DEFAULT '';
ALTER TABLE heads ADD COLUMN by_opened TEXT NOT NULL DEFAULT '';
ALTER TABLE heads ADD COLUMN by_due    TEXT NOT NULL DEFAULT '';
ALTER TABLE heads ADD COLUMN by_until  TEXT NOT NULL DEFAULT '';

CREATE INDEX heads_by_opened ON heads (by_opened, case_id);
CREATE INDEX heads_by_due    ON heads (by_due, case_id);
CREATE INDEX heads_by_until  ON heads (by_until, case_id);
CREATE INDEX heads_by_state_opened ON heads (state, by_opened, case_id);
CREATE INDEX heads_by_state_due    ON heads (state, by_due, case_id);
CREATE INDEX heads_by_state_until  ON heads (state, by_until, case_id);
CREATE INDEX heads_by_owner_opened ON heads (owner, by_opened, case_id);
CREATE INDEX heads_by_owner_due    ON heads (owner, by_due, case_id);
CREATE INDEX heads_by_owner_until  ON heads (owner, by_until, case_id);
