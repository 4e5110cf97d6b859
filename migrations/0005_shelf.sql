-- Finding what is on the shelf, and counting it.

-- An exact whole number to compare weights of all units by; 0 where nothing was weighed.
ALTER TABLE item ADD COLUMN mass BIGINT NOT NULL DEFAULT 0 CHECK (mass >= 0);

-- From here on the folded text of an item holds its colours, size and fibres too. Folding is the
-- program's: it fills in what is empty, and the mass, when it opens the shop.
UPDATE item SET folded = '';
CREATE INDEX item_unfolded ON item (id) WHERE folded = '';

-- A search reads nothing but this, whatever it looks for: a shop has few things on the shelf beside
-- all that it ever sold.
CREATE INDEX item_on_shelf ON item (id, style_id, price, mass, keep_off, held, on_hand, folded) WHERE on_hand > 0;
CREATE INDEX item_on_shelf_style ON item (style_id, size, color, on_hand, held, stock_unit, price) WHERE on_hand > 0;
CREATE INDEX item_held ON item (id) WHERE held > 0;

-- A count of the shelf, or of one style. One at a time: two would each book the same difference.
CREATE TABLE stocktake (
    id       BIGINT NOT NULL PRIMARY KEY,
    style_id BIGINT REFERENCES style (id),
    note     TEXT   NOT NULL,
    state    TEXT   NOT NULL CHECK (state IN ('open', 'finished', 'dropped')),
    scans    BIGINT NOT NULL CHECK (scans >= 0),
    begun_ms BIGINT NOT NULL,
    begun_by TEXT   NOT NULL,
    ended_ms BIGINT,
    ended_by TEXT   NOT NULL,
    CHECK ((state = 'open') = (ended_ms IS NULL))
);
CREATE UNIQUE INDEX stocktake_open ON stocktake (state) WHERE state = 'open';

-- What was counted of an item; what the books had at the last scan of it; an identifier drawn then,
-- by which later entries are told from earlier ones; what was booked at the end.
CREATE TABLE stocktake_count (
    stocktake_id BIGINT NOT NULL REFERENCES stocktake (id),
    item_id      BIGINT NOT NULL REFERENCES item (id),
    steps        BIGINT NOT NULL CHECK (steps >= 0),
    booked       BIGINT NOT NULL CHECK (booked >= 0),
    mark         BIGINT NOT NULL,
    difference   BIGINT NOT NULL,
    left_words   TEXT   NOT NULL,
    who          TEXT   NOT NULL,
    PRIMARY KEY (stocktake_id, item_id)
);

-- Codes that were scanned and that no item has.
CREATE TABLE stocktake_stray (
    stocktake_id BIGINT NOT NULL REFERENCES stocktake (id),
    code         TEXT   NOT NULL,
    scans        BIGINT NOT NULL CHECK (scans >= 1),
    mark         BIGINT NOT NULL,
    PRIMARY KEY (stocktake_id, code)
);
