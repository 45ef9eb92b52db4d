-- Due calendars: addresses under which people's own calendars ask for what falls due, and what they were told.
--
-- Why it looks as it does:
-- * An address is a secret, of which the SHA-256 alone is kept. Its number is the journal entry that made it, and it is of one
--   site. `areas` is a JSON list; an empty one means the whole site. `person` is whose it is, where somebody's.
-- * `due_entry` is what was told last of a work order (JSON), whichever address asked: a calendar that asks again is told of a change
--   by a higher number, so the number has to be kept. It follows from nothing else, and is no fact: no journal entry tells of it.
--   A row is written when what it says has changed, and goes some months after it was told to be cancelled.

CREATE TABLE due_calendar (
    site BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    hash BYTEA NOT NULL,
    name TEXT NOT NULL,
    person BIGINT,
    areas TEXT NOT NULL,
    made_at BIGINT NOT NULL,
    revoked_at BIGINT,
    PRIMARY KEY (site, leaf)
);

CREATE UNIQUE INDEX due_calendar_by_hash ON due_calendar (hash);

CREATE TABLE due_entry (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    cancelled BIGINT NOT NULL,
    told_at BIGINT NOT NULL,
    entry TEXT NOT NULL,
    PRIMARY KEY (site, number),
    FOREIGN KEY (site, number) REFERENCES work_order (site, number)
);
