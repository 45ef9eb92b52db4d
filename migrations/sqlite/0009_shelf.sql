-- Items on the shelf.
--
-- Why it looks as it does:
-- * An item's number is the journal entry that declared it first, and a use's the entry that records it, so that no counter
--   of their own is needed.
-- * `shelf` is what there is of the item by the book: its lots, its open purchases, and whether it is to be counted (JSON).
--   Both lists are bounded, and every change is a fact that holds the whole of it, so it is one value in one row. Amounts
--   in it are thousandths of the item's unit.
-- * A code is looked up, and held to be unique by the declaration's comparison: two items may exchange theirs in one load.
CREATE TABLE item (
    site INTEGER NOT NULL,
    number INTEGER NOT NULL,
    name TEXT NOT NULL,
    code TEXT,
    card TEXT NOT NULL,
    shelf TEXT NOT NULL,
    leaf INTEGER NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, name)
) STRICT;

CREATE INDEX item_by_code ON item (site, code) WHERE code IS NOT NULL;

-- What was taken off the shelf, for a closing or by hand: what an undo gives back, and how much is taken by hand in a week.
CREATE TABLE stock_use (
    site INTEGER NOT NULL,
    leaf INTEGER NOT NULL,
    item INTEGER NOT NULL,
    at INTEGER NOT NULL,
    amount INTEGER NOT NULL,
    closing INTEGER,
    returned INTEGER NOT NULL,
    taken TEXT NOT NULL,
    PRIMARY KEY (site, leaf),
    FOREIGN KEY (site, item) REFERENCES item (site, number)
) STRICT;

CREATE INDEX stock_use_by_closing ON stock_use (site, closing) WHERE closing IS NOT NULL;
CREATE INDEX stock_use_by_hand ON stock_use (site, at) WHERE closing IS NULL;
