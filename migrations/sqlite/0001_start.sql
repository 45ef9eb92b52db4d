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
    number INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    hash BLOB NOT NULL UNIQUE,
    made_at INTEGER NOT NULL,
    leaf INTEGER NOT NULL
) STRICT;

-- A person. Everything else knows people by number, so that the name can be erased.
CREATE TABLE person (
    number INTEGER PRIMARY KEY,
    name TEXT UNIQUE,
    added_at INTEGER NOT NULL,
    leaf INTEGER NOT NULL
) STRICT;

-- A site: its settings and its calendar. Number 0 is the installation and has no row here.
CREATE TABLE site (
    number INTEGER PRIMARY KEY,
    key TEXT NOT NULL UNIQUE,
    card TEXT NOT NULL,
    calendar TEXT NOT NULL,
    leaf INTEGER NOT NULL
) STRICT;

-- The row that each writing transaction of a site takes first and writes back last: it makes the writers of a site
-- wait for one another, and gives out numbers without gaps. `writes` rises with each transaction, so that a process
-- knows whether what it remembers of the site still stands. Site 0 gives out the installation's numbers.
CREATE TABLE site_head (
    site INTEGER PRIMARY KEY,
    writes INTEGER NOT NULL,
    lineage INTEGER NOT NULL,
    journal_size INTEGER NOT NULL,
    frontier BLOB NOT NULL,
    next_site INTEGER NOT NULL,
    next_person INTEGER NOT NULL,
    next_token INTEGER NOT NULL,
    next_machine INTEGER NOT NULL,
    next_meter INTEGER NOT NULL,
    next_point INTEGER NOT NULL,
    next_task INTEGER NOT NULL,
    next_order INTEGER NOT NULL,
    next_closing INTEGER NOT NULL,
    calendar_revision INTEGER NOT NULL,
    fleet_epoch INTEGER NOT NULL
) STRICT;

INSERT INTO site_head VALUES (0, 0, 1, 0, x'', 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 0);

-- One fact: the bytes that were hashed, and what a list filters by copied out of them.
CREATE TABLE journal_leaf (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    at INTEGER NOT NULL,
    kind TEXT NOT NULL,
    subject TEXT NOT NULL,
    person INTEGER,
    bytes BLOB NOT NULL,
    hash BLOB NOT NULL,
    PRIMARY KEY (site, number)
) STRICT;

-- Arrivals of reports are nearly all leaves; they are found through the ledger, and so left out of these.
CREATE INDEX journal_by_subject ON journal_leaf (site, subject, number) WHERE kind <> 'report.arrived';
CREATE INDEX journal_by_kind ON journal_leaf (site, kind, number) WHERE kind <> 'report.arrived';

-- The hash of each full subtree of 256, 65,536, ... leaves, so that a proof reads few rows.
CREATE TABLE journal_node (
    site INTEGER NOT NULL,
    level INTEGER NOT NULL,
    position INTEGER NOT NULL,
    hash BLOB NOT NULL,
    PRIMARY KEY (site, level, position)
) STRICT, WITHOUT ROWID;

-- The text that a leaf holds as a salted digest. Erasing this row leaves the journal whole.
CREATE TABLE sealed_note (
    site INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    salt BLOB NOT NULL,
    text TEXT NOT NULL,
    PRIMARY KEY (site, leaf)
) STRICT, WITHOUT ROWID;

-- A request id that was used, with what it brought about: never response bytes. A row without an expiry stays for
-- ever, which is so for closings. Token 0 is the service itself.
CREATE TABLE request (
    site INTEGER NOT NULL,
    token INTEGER NOT NULL,
    method TEXT NOT NULL,
    id TEXT NOT NULL,
    digest BLOB NOT NULL,
    result TEXT NOT NULL,
    leaf INTEGER,
    expires INTEGER,
    PRIMARY KEY (site, token, method, id)
) STRICT, WITHOUT ROWID;

CREATE INDEX request_by_expiry ON request (expires) WHERE expires IS NOT NULL;

-- A source of reports: its rank (the lower counts) and the kind of meter it means when a report names none.
CREATE TABLE source (
    site INTEGER NOT NULL,
    name TEXT NOT NULL,
    rank INTEGER,
    feeds TEXT,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, name)
) STRICT, WITHOUT ROWID;

-- A machine: its card as declared, and whether it may run.
CREATE TABLE machine (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    family TEXT NOT NULL,
    area TEXT NOT NULL,
    state TEXT NOT NULL,
    since INTEGER NOT NULL,
    reason TEXT NOT NULL,
    by_person INTEGER,
    card TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, tag)
) STRICT;

CREATE INDEX machine_by_area ON machine (site, area, tag);
CREATE INDEX machine_forbidden ON machine (site, since, number) WHERE state = 'forbidden';

-- Every name that a machine answers to: its tag, and those that other systems give it.
CREATE TABLE machine_name (
    site INTEGER NOT NULL,
    name TEXT NOT NULL,
    machine INTEGER NOT NULL,
    PRIMARY KEY (site, name),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
) STRICT, WITHOUT ROWID;

CREATE INDEX machine_name_by_machine ON machine_name (site, machine);

-- A meter. `known_to` is the latest end of a counted report; derived.
CREATE TABLE meter (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    key TEXT NOT NULL,
    kind TEXT NOT NULL,
    feed TEXT NOT NULL,
    max_per_hour INTEGER NOT NULL,
    known_to INTEGER,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, machine, key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
) STRICT;

-- What a meter counted in each UTC month (months since year 0); derived, so that H costs one month's reports.
CREATE TABLE meter_month (
    site INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    month INTEGER NOT NULL,
    amount INTEGER NOT NULL,
    PRIMARY KEY (site, meter, month)
) STRICT, WITHOUT ROWID;

-- A counter was replaced. What the old one contributed until then is derived by judging.
CREATE TABLE replacement (
    site INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    at INTEGER NOT NULL,
    closing INTEGER NOT NULL,
    opening INTEGER NOT NULL,
    segment_start INTEGER,
    segment_amount INTEGER,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, meter, at)
) STRICT, WITHOUT ROWID;

-- A correction that a manager booked: a step of the count at an instant.
CREATE TABLE adjustment (
    site INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    at INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    amount INTEGER NOT NULL,
    PRIMARY KEY (site, meter, at, leaf)
) STRICT, WITHOUT ROWID;

-- A test point of a machine.
CREATE TABLE point (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    key TEXT NOT NULL,
    card TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, machine, key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
) STRICT;

-- A task sheet: a list of tasks that several machines share.
CREATE TABLE sheet (
    site INTEGER NOT NULL,
    key TEXT NOT NULL,
    card TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, key)
) STRICT, WITHOUT ROWID;

-- A task of a machine, its own (no sheet) or from a sheet.
CREATE TABLE task (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    key TEXT NOT NULL,
    sheet TEXT,
    card TEXT NOT NULL,
    hazard INTEGER NOT NULL,
    active INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, machine, key),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
) STRICT;

-- Doing the larger task does the smaller one too; both are on one machine.
CREATE TABLE task_cover (
    site INTEGER NOT NULL,
    larger INTEGER NOT NULL,
    smaller INTEGER NOT NULL,
    PRIMARY KEY (site, larger, smaller)
) STRICT, WITHOUT ROWID;

-- A task's rule from a day on. A later one takes the place of those from its day on and of those still to come: they are
-- `withdrawn` by its leaf.
CREATE TABLE rule_version (
    site INTEGER NOT NULL,
    task INTEGER NOT NULL,
    version INTEGER NOT NULL,
    effective INTEGER NOT NULL,
    rule TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    withdrawn INTEGER,
    PRIMARY KEY (site, task, version)
) STRICT, WITHOUT ROWID;

-- When a task was last done before its record begins: the day, and what meters showed (JSON: meter number to count).
CREATE TABLE last_done (
    site INTEGER NOT NULL,
    task INTEGER NOT NULL,
    day INTEGER NOT NULL,
    counts TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, task)
) STRICT, WITHOUT ROWID;

-- A time for which a machine was laid up.
CREATE TABLE rest (
    site INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    starts INTEGER NOT NULL,
    ends INTEGER,
    PRIMARY KEY (site, machine, starts)
) STRICT, WITHOUT ROWID;

-- The ledger: one row a statement (source, report id, revision, content). What was sent stands beside what it was
-- resolved to and what became of it. `waiting` is 1 while a changed declaration asks for it to be judged again.
CREATE TABLE ledger (
    site INTEGER NOT NULL,
    source TEXT NOT NULL,
    report TEXT NOT NULL,
    revision INTEGER NOT NULL,
    digest BLOB NOT NULL,
    leaf INTEGER NOT NULL,
    meter INTEGER,
    starts INTEGER,
    ends INTEGER,
    kind TEXT NOT NULL,
    unit TEXT,
    amount INTEGER,
    state TEXT NOT NULL,
    segment_start INTEGER,
    segment_amount INTEGER,
    machine INTEGER,
    machine_sent TEXT NOT NULL,
    meter_sent TEXT,
    settlement TEXT,
    held TEXT,
    reason TEXT,
    counts_from INTEGER,
    waiting INTEGER NOT NULL,
    received_at INTEGER NOT NULL,
    token INTEGER,
    PRIMARY KEY (site, source, report, revision, digest)
) STRICT;

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
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    task INTEGER,
    title TEXT NOT NULL,
    hazard INTEGER NOT NULL,
    state TEXT NOT NULL,
    opened_at INTEGER NOT NULL,
    raised_at INTEGER,
    raised_by INTEGER,
    card TEXT NOT NULL,
    ended_at INTEGER,
    reason TEXT NOT NULL,
    skipped_by INTEGER,
    closing INTEGER,
    leaf INTEGER,
    planned INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    FOREIGN KEY (site, machine) REFERENCES machine (site, number)
) STRICT;

CREATE UNIQUE INDEX order_one_planned ON work_order (site, task) WHERE planned = 1 AND task IS NOT NULL;
CREATE INDEX order_planned_by_machine ON work_order (site, machine, number) WHERE planned = 1;
CREATE INDEX order_by_state ON work_order (site, state, number);
CREATE INDEX order_skipped ON work_order (site, task, ended_at) WHERE state = 'skipped';
CREATE INDEX order_by_machine ON work_order (site, machine, number);
CREATE INDEX order_by_task ON work_order (site, task, number);

-- A closing: the record (JSON), and what planning reads of it copied out. One that was undone stays, marked so.
CREATE TABLE closing (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    work_order INTEGER NOT NULL,
    task INTEGER,
    machine INTEGER NOT NULL,
    done_at INTEGER NOT NULL,
    entered_at INTEGER NOT NULL,
    covered_by INTEGER,
    undone INTEGER NOT NULL,
    record TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    FOREIGN KEY (site, work_order) REFERENCES work_order (site, number)
) STRICT;

CREATE INDEX closing_by_order ON closing (site, work_order, number);
CREATE INDEX closing_by_task ON closing (site, task, done_at) WHERE undone = 0;
CREATE INDEX closing_covered ON closing (site, covered_by) WHERE covered_by IS NOT NULL;

-- The plan: one row an open order, computed as of a shop day. Order and membership of a list come from these columns
-- alone; the rest of the row is the payload (JSON). A row whose stamp differs from the present one, or that is
-- marked stale, is computed afresh by upkeep.
CREATE TABLE plan (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    section INTEGER NOT NULL,
    key_time INTEGER NOT NULL,
    machine INTEGER NOT NULL,
    task INTEGER,
    area TEXT NOT NULL,
    due INTEGER,
    opens INTEGER,
    late INTEGER,
    covered_by INTEGER,
    hazard INTEGER NOT NULL,
    as_of INTEGER NOT NULL,
    fleet_epoch INTEGER NOT NULL,
    calendar INTEGER NOT NULL,
    zone_data TEXT NOT NULL,
    planner INTEGER NOT NULL,
    stale INTEGER NOT NULL,
    payload TEXT NOT NULL,
    PRIMARY KEY (site, number)
) STRICT;

CREATE UNIQUE INDEX plan_in_order ON plan (site, section, key_time, number);
CREATE INDEX plan_by_machine ON plan (site, machine, section, key_time);
CREATE INDEX plan_by_stamp ON plan (site, as_of, fleet_epoch, calendar, planner, zone_data, stale, number);

-- A duty that one of several services does: whoever holds it, until when. It is no fact of the shop.
CREATE TABLE lease (
    site INTEGER NOT NULL,
    duty TEXT NOT NULL,
    holder TEXT NOT NULL,
    until INTEGER NOT NULL,
    PRIMARY KEY (site, duty)
) STRICT;
