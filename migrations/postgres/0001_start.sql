-- The first schema: the installation, its sites, their journals, ledgers, declarations, orders and plans.
--
-- Why it looks as it does:
-- * Every key of a site's own data begins with the site, so that sites can be spread over machines and no query of
--   one site ever walks through another's rows.
-- * Instants are whole microseconds since 1970 (UTC), days are days since 1970, amounts are whole kept units: the
--   same integers on both engines and in the journal. No column holds a fraction.
-- * States and kinds are words, the same as in the journal and in messages; JSON is text written by the service and
--   never compared as text.
-- * What is derived (month totals, plan rows) can be rebuilt from what is not, and is never journalled.

-- A caller's secret, of which only the hash is kept.
CREATE TABLE token (
    number BIGINT PRIMARY KEY,
    name TEXT COLLATE "C" NOT NULL,
    hash BYTEA NOT NULL UNIQUE,
    made_at BIGINT NOT NULL,
    leaf BIGINT NOT NULL
);

-- A person. Everything else knows people by number, so that the name can be erased.
CREATE TABLE person (
    number BIGINT PRIMARY KEY,
    name TEXT COLLATE "C" UNIQUE,
    added_at BIGINT NOT NULL,
    leaf BIGINT NOT NULL
);

-- A site: its settings and its calendar. Number 0 is the installation and has no row here.
CREATE TABLE site (
    number BIGINT PRIMARY KEY,
    key TEXT COLLATE "C" NOT NULL UNIQUE,
    card TEXT COLLATE "C" NOT NULL,
    calendar TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL
);

-- The row that each writing transaction of a site takes first and writes back last: it makes the writers of a site
-- wait for one another, and gives out numbers without gaps. `writes` rises with each transaction, so that a process
-- knows whether what it remembers of the site still stands. Site 0 gives out the installation's numbers.
CREATE TABLE site_head (
    site BIGINT PRIMARY KEY,
    writes BIGINT NOT NULL,
    lineage BIGINT NOT NULL,
    journal_size BIGINT NOT NULL,
    frontier BYTEA NOT NULL,
    next_site BIGINT NOT NULL,
    next_person BIGINT NOT NULL,
    next_token BIGINT NOT NULL,
    next_machine BIGINT NOT NULL,
    next_meter BIGINT NOT NULL,
    next_point BIGINT NOT NULL,
    next_task BIGINT NOT NULL,
    next_order BIGINT NOT NULL,
    next_closing BIGINT NOT NULL,
    calendar_revision BIGINT NOT NULL,
    fleet_epoch BIGINT NOT NULL
);

INSERT INTO site_head VALUES (0, 0, 1, 0, '', 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0);

-- One fact: the bytes that were hashed, and what a list filters by copied out of them.
CREATE TABLE journal_leaf (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    at BIGINT NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,
    subject TEXT COLLATE "C" NOT NULL,
    person BIGINT,
    bytes BYTEA NOT NULL,
    hash BYTEA NOT NULL,
    PRIMARY KEY (site, number)
);

-- Arrivals of reports are nearly all leaves; they are found through the ledger, and so left out of these.
CREATE INDEX journal_by_subject ON journal_leaf (site, subject, number) WHERE kind <> 'report.arrived';
CREATE INDEX journal_by_kind ON journal_leaf (site, kind, number) WHERE kind <> 'report.arrived';

-- The hash of each full subtree of 256, 65,536, ... leaves, so that a proof reads few rows.
CREATE TABLE journal_node (
    site BIGINT NOT NULL,
    level BIGINT NOT NULL,
    position BIGINT NOT NULL,
    hash BYTEA NOT NULL,
    PRIMARY KEY (site, level, position)
);

-- The text that a leaf holds as a salted digest. Erasing this row leaves the journal whole.
CREATE TABLE sealed_note (
    site BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    salt BYTEA NOT NULL,
    text TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site, leaf)
);

-- A request id that was used, with what it brought about: never response bytes. A row without an expiry stays for
-- ever, which is so for closings. Token 0 is the service itself.
CREATE TABLE request (
    site BIGINT NOT NULL,
    token BIGINT NOT NULL,
    method TEXT COLLATE "C" NOT NULL,
    id TEXT COLLATE "C" NOT NULL,
    digest BYTEA NOT NULL,
    result TEXT COLLATE "C" NOT NULL,
    leaf BIGINT,
    expires BIGINT,
    PRIMARY KEY (site, token, method, id)
);

CREATE INDEX request_by_expiry ON request (expires) WHERE expires IS NOT NULL;

-- A source of reports: its rank (the lower counts) and the kind of meter it means when a report names none.
CREATE TABLE source (
    site BIGINT NOT NULL,
    name TEXT COLLATE "C" NOT NULL,
    rank BIGINT,
    feeds TEXT COLLATE "C",
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, name)
);

-- A machine: its card as declared, and whether it may run.
CREATE TABLE machine (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    tag TEXT COLLATE "C" NOT NULL,
    name TEXT COLLATE "C" NOT NULL,
    family TEXT COLLATE "C" NOT NULL,
    area TEXT COLLATE "C" NOT NULL,
    state TEXT COLLATE "C" NOT NULL,
    since BIGINT NOT NULL,
    reason TEXT COLLATE "C" NOT NULL,
    by_person BIGINT,
    card TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, tag)
);

CREATE INDEX machine_by_area ON machine (site, area, tag);
CREATE INDEX machine_forbidden ON machine (site, since, number) WHERE state = 'forbidden';

-- Every name that a machine answers to: its tag, and those that other systems give it.
CREATE TABLE machine_name (
    site BIGINT NOT NULL,
    name TEXT COLLATE "C" NOT NULL,
    machine BIGINT NOT NULL,
    PRIMARY KEY (site, name),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

CREATE INDEX machine_name_by_machine ON machine_name (site, machine);

-- A meter. `known_to` is the latest end of a counted report; derived.
CREATE TABLE meter (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    key TEXT COLLATE "C" NOT NULL,
    kind TEXT COLLATE "C" NOT NULL,
    feed TEXT COLLATE "C" NOT NULL,
    max_per_hour BIGINT NOT NULL,
    known_to BIGINT,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, machine, key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

-- What a meter counted in each UTC month (months since year 0); derived, so that H costs one month's reports.
CREATE TABLE meter_month (
    site BIGINT NOT NULL,
    meter BIGINT NOT NULL,
    month BIGINT NOT NULL,
    amount BIGINT NOT NULL,
    PRIMARY KEY (site, meter, month)
);

-- A counter was replaced. What the old one contributed until then is derived by judging.
CREATE TABLE replacement (
    site BIGINT NOT NULL,
    meter BIGINT NOT NULL,
    at BIGINT NOT NULL,
    closing BIGINT NOT NULL,
    opening BIGINT NOT NULL,
    segment_start BIGINT,
    segment_amount BIGINT,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, meter, at)
);

-- A correction that a manager booked: a step of the count at an instant.
CREATE TABLE adjustment (
    site BIGINT NOT NULL,
    meter BIGINT NOT NULL,
    at BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    amount BIGINT NOT NULL,
    PRIMARY KEY (site, meter, at, leaf)
);

-- A test point of a machine.
CREATE TABLE point (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    key TEXT COLLATE "C" NOT NULL,
    card TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, machine, key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

-- A task sheet: a list of tasks that several machines share.
CREATE TABLE sheet (
    site BIGINT NOT NULL,
    key TEXT COLLATE "C" NOT NULL,
    card TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, key)
);

-- A task of a machine, its own (no sheet) or from a sheet.
CREATE TABLE task (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    key TEXT COLLATE "C" NOT NULL,
    sheet TEXT COLLATE "C",
    card TEXT COLLATE "C" NOT NULL,
    hazard BIGINT NOT NULL,
    active BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, machine, key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

-- Doing the larger task does the smaller one too; both are on one machine.
CREATE TABLE task_cover (
    site BIGINT NOT NULL,
    larger BIGINT NOT NULL,
    smaller BIGINT NOT NULL,
    PRIMARY KEY (site, larger, smaller)
);

-- A task's rule from a day on. A later one takes the place of those from its day on and of those still to come: they are
-- `withdrawn` by its leaf.
CREATE TABLE rule_version (
    site BIGINT NOT NULL,
    task BIGINT NOT NULL,
    version BIGINT NOT NULL,
    effective BIGINT NOT NULL,
    rule TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL,
    withdrawn BIGINT,
    PRIMARY KEY (site, task, version)
);

-- When a task was last done before its record begins: the day, and what meters showed (JSON: meter number to count).
CREATE TABLE last_done (
    site BIGINT NOT NULL,
    task BIGINT NOT NULL,
    day BIGINT NOT NULL,
    counts TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, task)
);

-- A time for which a machine was laid up.
CREATE TABLE rest (
    site BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    starts BIGINT NOT NULL,
    ends BIGINT,
    PRIMARY KEY (site, machine, starts)
);

-- The ledger: one row a statement (source, report id, revision, content). What was sent stands beside what it was
-- resolved to and what became of it. `waiting` is 1 while a changed declaration asks for it to be judged again.
CREATE TABLE ledger (
    site BIGINT NOT NULL,
    source TEXT COLLATE "C" NOT NULL,
    report TEXT COLLATE "C" NOT NULL,
    revision BIGINT NOT NULL,
    digest BYTEA NOT NULL,
    leaf BIGINT NOT NULL,
    meter BIGINT,
    starts BIGINT,
    ends BIGINT,
    kind TEXT COLLATE "C" NOT NULL,
    unit TEXT COLLATE "C",
    amount BIGINT,
    state TEXT COLLATE "C" NOT NULL,
    segment_start BIGINT,
    segment_amount BIGINT,
    machine BIGINT,
    machine_sent TEXT COLLATE "C" NOT NULL,
    meter_sent TEXT COLLATE "C",
    settlement TEXT COLLATE "C",
    held TEXT COLLATE "C",
    reason TEXT COLLATE "C",
    counts_from BIGINT,
    waiting BIGINT NOT NULL,
    received_at BIGINT NOT NULL,
    token BIGINT,
    PRIMARY KEY (site, source, report, revision, digest)
);

CREATE UNIQUE INDEX ledger_by_arrival ON ledger (site, leaf);
CREATE INDEX ledger_by_meter ON ledger (site, meter, starts, ends) WHERE meter IS NOT NULL;
CREATE INDEX ledger_readings ON ledger (site, meter, starts) WHERE kind = 'absolute';
CREATE INDEX ledger_held ON ledger (site, leaf, held) WHERE state = 'held';
CREATE INDEX ledger_held_by_name ON ledger (site, machine_sent) WHERE state = 'held';
CREATE INDEX ledger_waiting ON ledger (site, leaf) WHERE waiting = 1;
CREATE INDEX ledger_future ON ledger (site, counts_from) WHERE counts_from IS NOT NULL;

-- A work order. `raised_at` is the instant at which one raised by hand is due. `card` holds what was said of an
-- order without a task (JSON); texts that may be erased stand with their leaf in sealed_note.
-- `planned` is 1 while it is open, and while it is void because its rule has ended: that follows from what was done and
-- declared, so it is looked at again with every plan and the order may be open once more.
CREATE TABLE work_order (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    task BIGINT,
    title TEXT COLLATE "C" NOT NULL,
    hazard BIGINT NOT NULL,
    state TEXT COLLATE "C" NOT NULL,
    opened_at BIGINT NOT NULL,
    raised_at BIGINT,
    raised_by BIGINT,
    card TEXT COLLATE "C" NOT NULL,
    ended_at BIGINT,
    reason TEXT COLLATE "C" NOT NULL,
    skipped_by BIGINT,
    closing BIGINT,
    leaf BIGINT,
    planned BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
);

CREATE UNIQUE INDEX order_one_planned ON work_order (site, task) WHERE planned = 1 AND task IS NOT NULL;
CREATE INDEX order_planned_by_machine ON work_order (site, machine, number) WHERE planned = 1;
CREATE INDEX order_by_state ON work_order (site, state, number);
CREATE INDEX order_skipped ON work_order (site, task, ended_at) WHERE state = 'skipped';
CREATE INDEX order_by_machine ON work_order (site, machine, number);
CREATE INDEX order_by_task ON work_order (site, task, number);

-- A closing: the record (JSON), and what planning reads of it copied out. One that was undone stays, marked so.
CREATE TABLE closing (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    work_order BIGINT NOT NULL,
    task BIGINT,
    machine BIGINT NOT NULL,
    done_at BIGINT NOT NULL,
    entered_at BIGINT NOT NULL,
    covered_by BIGINT,
    undone BIGINT NOT NULL,
    record TEXT COLLATE "C" NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    FOREIGN KEY (site, work_order) REFERENCES work_order (site, number)
);

CREATE INDEX closing_by_order ON closing (site, work_order, number);
CREATE INDEX closing_by_task ON closing (site, task, done_at) WHERE undone = 0;
CREATE INDEX closing_covered ON closing (site, covered_by) WHERE covered_by IS NOT NULL;

-- The plan: one row an open order, computed as of a shop day. Order and membership of a list come from these columns
-- alone; the rest of the row is the payload (JSON). A row whose stamp differs from the present one, or that is
-- marked stale, is computed afresh by upkeep.
CREATE TABLE plan (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    section BIGINT NOT NULL,
    key_time BIGINT NOT NULL,
    machine BIGINT NOT NULL,
    task BIGINT,
    area TEXT COLLATE "C" NOT NULL,
    due BIGINT,
    opens BIGINT,
    late BIGINT,
    covered_by BIGINT,
    hazard BIGINT NOT NULL,
    as_of BIGINT NOT NULL,
    fleet_epoch BIGINT NOT NULL,
    calendar BIGINT NOT NULL,
    zone_data TEXT COLLATE "C" NOT NULL,
    planner BIGINT NOT NULL,
    stale BIGINT NOT NULL,
    payload TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (site, number)
);

CREATE UNIQUE INDEX plan_in_order ON plan (site, section, key_time, number);
CREATE INDEX plan_by_machine ON plan (site, machine, section, key_time);
CREATE INDEX plan_by_stamp ON plan (site, as_of, fleet_epoch, calendar, planner, zone_data, stale, number);

-- A duty that one of several services does: whoever holds it, until when. It is no fact of the shop.
CREATE TABLE lease (
    site BIGINT NOT NULL,
    duty TEXT COLLATE "C" NOT NULL,
    holder TEXT COLLATE "C" NOT NULL,
    until BIGINT NOT NULL,
    PRIMARY KEY (site, duty)
);
