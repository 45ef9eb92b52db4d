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
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    name TEXT COLLATE "C" NOT NULL,
    code TEXT COLLATE "C",
    card TEXT NOT NULL,
    shelf TEXT NOT NULL,
    leaf BIGINT NOT NULL,
    PRIMARY KEY (site, number),
    UNIQUE (site, name)
);

CREATE INDEX item_by_code ON item (site, code) WHERE code IS NOT NULL;

-- What was taken off the shelf, for a closing or by hand: what an undo gives back, and how much is taken by hand in a week.
CREATE TABLE stock_use (
    site BIGINT NOT NULL,
    leaf BIGINT NOT NULL,
    item BIGINT NOT NULL,
    at BIGINT NOT NULL,
    amount BIGINT NOT NULL,
    closing BIGINT,
    returned BIGINT NOT NULL,
    taken TEXT NOT NULL,
    PRIMARY KEY (site, leaf),
    FOREIGN KEY (site, item) REFERENCES item (site, number)
);

CREATE INDEX stock_use_by_closing ON stock_use (site, closing) WHERE closing IS NOT NULL;
CREATE INDEX stock_use_by_hand ON stock_use (site, at) WHERE closing IS NULL;
