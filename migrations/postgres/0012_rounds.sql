-- Rounds: what was seen at the checks of a shift, and handovers.
--
-- Why it looks as it does:
-- * A round is known by its shift's first instant, and has one row for each machine: the answers as they stand (JSON), no more
--   than a machine has checks. Every change is a fact that holds the whole of them.
-- * Which checks are due, and which were missed, follows from declaration, calendar and time, and is not kept.
-- * `check_order` is the order that a check's findings raised last: while it is open, the same finding raises no second one.
-- * A handover's number is the journal entry that made it. Its note stands beside that entry, so that it can be erased.
CREATE TABLE round_record (
    site BIGINT NOT NULL,
    shift BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    answers TEXT NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, shift, machine),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

CREATE TABLE check_order (
    site BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    check_key TEXT COLLATE "C" NOT NULL,
    number BIGINT NOT NULL,
    PRIMARY KEY (site, machine, check_key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

CREATE TABLE handover (
    site BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    shift BIGINT NOT NULL,
    record TEXT NOT NULL,
    acknowledged_by BIGINT,
    acknowledged_at BIGINT,
    PRIMARY KEY (site, leaf)
);

CREATE INDEX handover_open ON handover (site, leaf) WHERE acknowledged_at IS NULL;
