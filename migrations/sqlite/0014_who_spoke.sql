-- Who spoke: PINs of people, tokens of one person, tokens by the name of a certificate.
--
-- Why it looks as it does:
-- * A PIN is kept as the text of a salted slow hash that names its own parameters. It stands in no other table and in no
--   entry of the journal. Wrong ones are counted here, so that neither a restart nor a second service begins anew.
-- * A token's person, where it has one, speaks by it. `certificate` is the name by which certificates are known; its hash
--   stands in `hash`, as that of a token does.

CREATE TABLE person_pin (
    person INTEGER PRIMARY KEY,
    hash TEXT NOT NULL,
    set_at INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    wrong INTEGER NOT NULL,
    wrong_at INTEGER
) STRICT;

ALTER TABLE token ADD COLUMN person INTEGER;
ALTER TABLE token ADD COLUMN certificate TEXT;
