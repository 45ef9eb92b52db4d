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
    number BIGINT PRIMARY KEY,
    installation TEXT NOT NULL,
    public BYTEA NOT NULL,
    made_at BIGINT NOT NULL,
    leaf BIGINT NOT NULL
);

CREATE TABLE checkpoint (
    site BIGINT NOT NULL,
    lineage BIGINT NOT NULL,
    size BIGINT NOT NULL,
    root BYTEA NOT NULL,
    made_at BIGINT NOT NULL,
    note TEXT NOT NULL,
    PRIMARY KEY (site, lineage, size)
);

ALTER TABLE token ADD COLUMN roles TEXT NOT NULL DEFAULT 'admin';
ALTER TABLE token ADD COLUMN sites TEXT NOT NULL DEFAULT '';
ALTER TABLE token ADD COLUMN expires_at BIGINT;
ALTER TABLE token ADD COLUMN revoked_at BIGINT;
ALTER TABLE token ADD COLUMN used_at BIGINT;
