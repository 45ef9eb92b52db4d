-- A second key of the plan, for the list by which nothing surprises: the instant by which a row is due with a chance of
-- one in ten, where a forecast has a part in it, and its key time where none has.
--
-- Why it looks as it does:
-- * It is generated from the row's own payload, so it cannot say anything else than the row does, whichever service wrote
--   that, and rows that stand already have it at once. The engine can add such a column only as a computed one; the index
--   stores it.
-- * A row without a payload has its key time.

ALTER TABLE plan ADD COLUMN sure_time INTEGER NOT NULL
    GENERATED ALWAYS AS (COALESCE(json_extract(NULLIF(payload, ''), '$.p10'), key_time)) VIRTUAL;

CREATE UNIQUE INDEX plan_in_sure_order ON plan (site, section, sure_time, number);
