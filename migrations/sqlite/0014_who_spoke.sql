-- Who spoke: PINs of people, tokens of one person, records of those who have no token.
--
-- Why it looks as it does:
-- * A PIN is kept as the text of a salted slow hash that names its own parameters. It stands in no other table and in no
--   entry of the journal. Wrong ones are counted here, so that neither a restart nor a second service begins anew.
-- * A token's person, where it has one, speaks by it. `identity` is the name of certificates, or the subject of an identity
--   provider, that has this row in a token's place; its hash stands in `hash`, as that of a token does.

CREATE TABLE person_pin (
    person INTEGER PRIMARY KEY,
    hash TEXT NOT NULL,
    set_at INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    wrong INTEGER NOT NULL,
    wrong_at INTEGER
) STRICT;

ALTER TABLE token ADD COLUMN person INTEGER;
ALTER TABLE token ADD COLUMN identity TEXT;
