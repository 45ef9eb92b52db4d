-- What makes the journal provable, and tokens limited.
--
-- Why it looks as it does:
-- * `journal_key` keeps the public half only; the signing key itself lies in a file outside the database. The key of the
--   highest number signs; earlier ones stay, so that what they signed can still be checked. `installation` names the
--   installation in every checkpoint and is the same in all rows.
-- * A checkpoint is kept as the note that was signed. It follows from the journal and the key, so that making it twice
--   makes it once.
-- * A token's roles are words with a space between them; its sites are numbers so written, and none mean all. A token
--   that was there before had every right, and keeps it. `used_at` is written at most once an hour.

CREATE TABLE journal_key (
    number INTEGER PRIMARY KEY,
    installation TEXT NOT NULL,
    public BLOB NOT NULL,
    made_at INTEGER NOT NULL,
    leaf INTEGER NOT NULL
) STRICT;

CREATE TABLE checkpoint (
    site INTEGER NOT NULL,
    lineage INTEGER NOT NULL,
    size INTEGER NOT NULL,
    root BLOB NOT NULL,
    made_at INTEGER NOT NULL,
    note TEXT NOT NULL,
    PRIMARY KEY (site, lineage, size)
) STRICT;

ALTER TABLE token ADD COLUMN roles TEXT NOT NULL DEFAULT 'admin';
ALTER TABLE token ADD COLUMN sites TEXT NOT NULL DEFAULT '';
ALTER TABLE token ADD COLUMN expires_at INTEGER;
ALTER TABLE token ADD COLUMN revoked_at INTEGER;
ALTER TABLE token ADD COLUMN used_at INTEGER;
