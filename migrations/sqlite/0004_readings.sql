-- Readings at test points.
--
-- Why it looks as it does:
-- * A reading is a fact and its number is the journal entry that records it, so that no counter of its own is needed.
-- * `value` is in millionths of the unit that the point had when it was entered; it is absent where what was said does
--   not turn into that unit. `verdict` is how it stood to the limits of that moment: good, act, stop, or none.
-- * A withdrawn reading stays, marked with the entry that withdrew it; one that was said in a closing goes with it.

CREATE TABLE reading (
    site INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    point INTEGER NOT NULL,
    at INTEGER NOT NULL,
    value INTEGER,
    verdict TEXT NOT NULL,
    closing INTEGER,
    withdrawn INTEGER,
    record TEXT NOT NULL,
    PRIMARY KEY (site, leaf),
    FOREIGN KEY (site, point) REFERENCES point (site, number)
) STRICT;

CREATE INDEX reading_by_point ON reading (site, point, at, leaf);
CREATE INDEX reading_by_machine ON reading (site, machine, leaf);
CREATE INDEX reading_by_closing ON reading (site, closing) WHERE closing IS NOT NULL;
-- What planning reads: the few that are out of limits.
CREATE INDEX reading_out ON reading (site, machine, at) WHERE withdrawn IS NULL AND verdict IN ('act', 'stop');
