-- Lists of one payer, and those sorted by payers, are read as those of a state or
-- an owner are.
CREATE INDEX heads_by_region_opened ON heads (region, by_opened, case_id);
CREATE INDEX heads_by_region_due    ON heads (region, by_due, case_id);
CREATE INDEX heads_by_region_until  ON heads (region, by_until, case_id);
