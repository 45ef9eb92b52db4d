-- What expected dates rest on beside a meter's own reports: the figures of its fleet, and what is planned for it.
--
-- Why it looks as it does:
-- * The figures are derived from the ledger and hold for a shop day. A transaction that changes what they rest on raises a
--   number in the row that it writes anyway, so that taking reports costs no further statement.
-- * A plan is replaced period by period, and a shift belongs to the period that holds its start.

-- Rises whenever reports of days before the present one, or the machines that the figures are learnt from, have changed.
-- 0 until the site counts its first report.
ALTER TABLE site_head ADD COLUMN fleet_marks INTEGER NOT NULL DEFAULT 0;
UPDATE site_head SET fleet_marks = 1 WHERE site IN (SELECT site FROM ledger WHERE state = 'counted');

-- The figures of a family, or (family '') of the whole site, for one kind of meter; JSON.
CREATE TABLE fleet_figures (
    site INTEGER NOT NULL,
    family TEXT NOT NULL,
    kind TEXT NOT NULL,
    machines INTEGER NOT NULL,
    figures TEXT NOT NULL,
    PRIMARY KEY (site, family, kind)
) STRICT, WITHOUT ROWID;

-- The shop day as of whose start the figures stand, the marks that there were then, and when they were computed.
CREATE TABLE fleet_day (
    site INTEGER PRIMARY KEY,
    as_of INTEGER NOT NULL,
    marks INTEGER NOT NULL,
    at INTEGER NOT NULL
) STRICT;

-- A stretch of time for which a meter's use is planned; those of one meter do not touch.
CREATE TABLE planned_period (
    site INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    starts INTEGER NOT NULL,
    ends INTEGER NOT NULL,
    PRIMARY KEY (site, meter, starts)
) STRICT, WITHOUT ROWID;

-- A planned shift: what is to run on a meter in a stretch.
CREATE TABLE planned_shift (
    site INTEGER NOT NULL,
    meter INTEGER NOT NULL,
    starts INTEGER NOT NULL,
    ends INTEGER NOT NULL,
    amount INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, meter, starts, ends)
) STRICT, WITHOUT ROWID;

CREATE INDEX planned_shift_in_order ON planned_shift (site, starts, meter, ends);
