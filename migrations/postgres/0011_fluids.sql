-- What goes into the sumps and reservoirs of machines and what comes out.
--
-- Why it looks as it does:
-- * An entry is a fact and its number is the journal entry that records it, so that no counter of its own is needed.
-- * A sump or reservoir is a key that test points of the machine share; it has no row of its own, and an entry outlives a
--   change of the declaration.
-- * `act` is added, changed or waste, `amount` millilitres. A withdrawn entry stays, marked with the entry that withdrew it;
--   one that was said in a closing goes with it.

CREATE TABLE fluid_entry (
    site BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    reservoir TEXT NOT NULL,
    at BIGINT NOT NULL,
    act TEXT NOT NULL,
    amount BIGINT NOT NULL,
    closing BIGINT,
    withdrawn BIGINT,
    record TEXT NOT NULL,
    PRIMARY KEY (site, leaf),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

CREATE INDEX fluid_entry_by_machine ON fluid_entry (site, machine, at, leaf);
CREATE INDEX fluid_entry_by_closing ON fluid_entry (site, closing) WHERE closing IS NOT NULL;
-- The audit reads closings by the time at which the work was done.
CREATE INDEX closing_by_done ON closing (site, done_at, number);
