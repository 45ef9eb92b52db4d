-- What other systems book: closings, undone closings and lines of the buy list, in the order in which they are told.
--
-- Why it looks as it does:
-- * A number is given under the site's row, as those of the journal are, so that whoever has read up to one has missed nothing.
-- * `told` is what is told (JSON), as it was when it was told first: whoever asks again is told the same. People stand in it by number.
-- * It follows from the journal and from the buy list, but for its numbers, and is no fact: no journal entry tells of it.
-- * `lineage` is the journal's when it was told: after a restore of an older backup a number may come again, in another lineage.
-- * A line of the buy list is found by its item, to be compared with the next one; a closing by its number, to be reversed.
CREATE TABLE outbound (
    site BIGINT NOT NULL,
    number BIGINT NOT NULL,
    lineage BIGINT NOT NULL,
    closing BIGINT,
    item BIGINT,
    told_at BIGINT NOT NULL,
    told TEXT NOT NULL,
    PRIMARY KEY (site, number)
);

CREATE INDEX outbound_by_closing ON outbound (site, closing, number) WHERE closing IS NOT NULL;
CREATE INDEX outbound_by_item ON outbound (site, item, number) WHERE item IS NOT NULL;

-- Up to where it was told: the next number, the last journal entry that was looked at, and when the buy list was compared.
CREATE TABLE outbound_head (
    site BIGINT NOT NULL,
    next BIGINT NOT NULL,
    entry BIGINT NOT NULL,
    compared_at BIGINT,
    PRIMARY KEY (site)
);

-- Up to where each reader has booked.
CREATE TABLE outbound_reader (
    site BIGINT NOT NULL,
    name TEXT NOT NULL,
    through BIGINT NOT NULL,
    moved_at BIGINT NOT NULL,
    PRIMARY KEY (site, name)
);
