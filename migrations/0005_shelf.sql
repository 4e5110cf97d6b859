-- Shelf: items, styles, photographs, stock, holds, counts, and the files that items come from.

-- A file that was read in, how far, and what was answered.
CREATE TABLE intake (
    hash      TEXT   NOT NULL,
    feed      TEXT   NOT NULL,
    file_name TEXT   NOT NULL,
    rows_done BIGINT NOT NULL,
    added     BIGINT NOT NULL,
    updated   BIGINT NOT NULL,
    unchanged BIGINT NOT NULL,
    answer    TEXT,
    at_ms     BIGINT NOT NULL,
    PRIMARY KEY (hash, feed)
);

-- Rows that a run refused, kept until the file is taken in to its end.
CREATE TABLE intake_refused (
    hash       TEXT   NOT NULL,
    feed       TEXT   NOT NULL,
    row_number BIGINT NOT NULL,
    refusal    TEXT   NOT NULL,
    PRIMARY KEY (hash, feed, row_number),
    FOREIGN KEY (hash, feed) REFERENCES intake (hash, feed)
);

-- A photograph that was taken in: its files stand beside the database, named by the hash of the
-- largest. Lightness: the mean of all its points, from black to white.
CREATE TABLE picture (
    hash      TEXT   NOT NULL PRIMARY KEY,
    width     BIGINT NOT NULL CHECK (width BETWEEN 1 AND 100000),
    height    BIGINT NOT NULL CHECK (height BETWEEN 1 AND 100000),
    bytes     BIGINT NOT NULL CHECK (bytes BETWEEN 1 AND 1000000000),
    lightness BIGINT NOT NULL CHECK (lightness BETWEEN 0 AND 100),
    who       TEXT   NOT NULL,
    at_ms     BIGINT NOT NULL
);

CREATE TABLE style (
    id        BIGINT NOT NULL PRIMARY KEY,
    name      TEXT   NOT NULL,
    folded    TEXT   NOT NULL UNIQUE,
    rate      BIGINT NOT NULL CHECK (rate BETWEEN 1 AND 1000000000000),
    rate_unit TEXT   NOT NULL,
    ending    TEXT   NOT NULL,
    minimum   BIGINT CHECK (minimum BETWEEN 0 AND 1000000000000),
    sizes     TEXT   NOT NULL,
    category  TEXT   NOT NULL,
    care      TEXT   NOT NULL,
    revision  BIGINT NOT NULL CHECK (revision >= 1),
    made_ms   BIGINT NOT NULL
);

-- Laws 1 and 2 stand here once more: 0 <= held <= on_hand, a piece is at most one, and
-- made = on hand + drawn + sold - put back + written off. What is not for sale has no price. `mass` is an exact whole
-- number by which weights of all units compare, 0 where nothing was weighed; `folded` is what a search reads. A piece that was
-- entered by mistake is `removed`: nothing finds it any more but its code.
CREATE TABLE item (
    id          BIGINT NOT NULL PRIMARY KEY,
    kind        TEXT   NOT NULL,
    sku         TEXT   NOT NULL,
    in_store    TEXT   NOT NULL,
    gtin        TEXT,
    style_id    BIGINT REFERENCES style (id),
    name        TEXT   NOT NULL,
    description TEXT   NOT NULL,
    color       TEXT   NOT NULL,
    size        TEXT   NOT NULL,
    material    TEXT   NOT NULL,
    brand       TEXT   NOT NULL,
    image       TEXT   NOT NULL,
    folded      TEXT   NOT NULL,
    weight      TEXT,
    weight_unit TEXT,
    extras      BIGINT NOT NULL CHECK (extras BETWEEN 0 AND 1000000000000),
    for_sale    BIGINT NOT NULL DEFAULT 1 CHECK (for_sale IN (0, 1)),
    price       BIGINT CHECK (price BETWEEN 1 AND 1000000000000),
    priced_by   TEXT   NOT NULL,
    cost        BIGINT CHECK (cost BETWEEN 0 AND 1000000000000),
    stock_unit  TEXT,
    do_not_list BIGINT NOT NULL CHECK (do_not_list IN (0, 1)),
    on_hand     BIGINT NOT NULL CHECK (on_hand BETWEEN 0 AND 1000000000),
    held        BIGINT NOT NULL CHECK (held >= 0),
    made        BIGINT NOT NULL CHECK (made BETWEEN 0 AND 1000000000000),
    drawn       BIGINT NOT NULL DEFAULT 0 CHECK (drawn BETWEEN 0 AND 1000000000000),
    sold        BIGINT NOT NULL CHECK (sold BETWEEN 0 AND 1000000000000),
    put_back    BIGINT NOT NULL CHECK (put_back BETWEEN 0 AND 1000000000000),
    written_off BIGINT NOT NULL CHECK (written_off BETWEEN 0 AND 1000000000000),
    revision    BIGINT NOT NULL CHECK (revision >= 1),
    made_ms     BIGINT NOT NULL,
    mass        BIGINT NOT NULL CHECK (mass >= 0),
    removed     BIGINT NOT NULL CHECK (removed IN (0, 1)),
    CHECK (held <= on_hand),
    CHECK (kind <> 'piece' OR (on_hand <= 1 AND sold - put_back <= 1)),
    CHECK (removed = 0 OR (kind = 'piece' AND on_hand = 0 AND sold = 0)),
    CHECK (made = on_hand + drawn + sold - put_back + written_off),
    CHECK ((for_sale = 1) = (price IS NOT NULL)),
    CHECK ((kind = 'weight') = (stock_unit IS NOT NULL)),
    CHECK ((weight IS NULL) = (weight_unit IS NULL))
);
CREATE INDEX item_style ON item (style_id);
-- What can be sold now: a shop's past pieces outnumber it many times.
CREATE INDEX item_free ON item (id) WHERE on_hand > held;
CREATE INDEX item_latest_of_style ON item (style_id, id) WHERE kind = 'piece';
CREATE INDEX item_unfolded ON item (id) WHERE folded = '';
-- A search reads nothing but this, whatever it looks for.
CREATE INDEX item_on_shelf ON item (id, style_id, price, mass, do_not_list, held, on_hand, folded) WHERE on_hand > 0;
CREATE INDEX item_on_shelf_style ON item (style_id, size, color, on_hand, held, stock_unit, price) WHERE on_hand > 0;
CREATE INDEX item_held ON item (id) WHERE held > 0;

-- Every code that finds an item, in its one normal form.
CREATE TABLE code (
    code    TEXT   NOT NULL PRIMARY KEY,
    item_id BIGINT NOT NULL REFERENCES item (id)
);
CREATE INDEX code_item ON code (item_id);

CREATE TABLE hold (
    id          BIGINT NOT NULL PRIMARY KEY,
    group_id    BIGINT NOT NULL,
    item_id     BIGINT NOT NULL REFERENCES item (id),
    stock_units BIGINT NOT NULL CHECK (stock_units BETWEEN 1 AND 1000000000),
    purpose     TEXT   NOT NULL,
    for_whom    TEXT   NOT NULL,
    until_ms    BIGINT,
    state       TEXT   NOT NULL,
    made_ms     BIGINT NOT NULL,
    ended_ms    BIGINT,
    held_by     TEXT,
    customer_id BIGINT REFERENCES person_data (id),
    CHECK ((state = 'open') = (ended_ms IS NULL)),
    CHECK (purpose <> 'customer' OR for_whom = '')
);
CREATE INDEX hold_group ON hold (group_id);
CREATE INDEX hold_open_item ON hold (item_id) WHERE state = 'open';
CREATE INDEX hold_open_until ON hold (until_ms) WHERE state = 'open' AND until_ms IS NOT NULL;
CREATE INDEX hold_open_by ON hold (held_by) WHERE state = 'open' AND held_by IS NOT NULL;
CREATE INDEX hold_customer ON hold (customer_id) WHERE customer_id IS NOT NULL;

-- The work in a piece, as its maker told it when it was finished, and why its price is not the
-- rule's. Only ever added to.
CREATE TABLE piece_work (
    item_id      BIGINT NOT NULL PRIMARY KEY REFERENCES item (id),
    rows_made    BIGINT CHECK (rows_made BETWEEN 1 AND 1000000),
    minutes      BIGINT CHECK (minutes BETWEEN 1 AND 1000000),
    note         TEXT   NOT NULL,
    price_reason TEXT   NOT NULL,
    who          TEXT   NOT NULL,
    at_ms        BIGINT NOT NULL
);

-- The latest tag that was printed of an item, with what stood on it: if a new tag would say something else, one is
-- needed.
CREATE TABLE printed_tag (
    item_id  BIGINT NOT NULL PRIMARY KEY REFERENCES item (id),
    price    BIGINT NOT NULL CHECK (price BETWEEN 0 AND 1000000000000),
    mass     BIGINT NOT NULL CHECK (mass >= 0),
    name     TEXT   NOT NULL,
    size     TEXT   NOT NULL,
    material TEXT   NOT NULL,
    care     TEXT   NOT NULL,
    who      TEXT   NOT NULL,
    at_ms    BIGINT NOT NULL
);

-- Only ever added to.
CREATE TABLE stock_entry (
    id        BIGINT NOT NULL PRIMARY KEY,
    item_id   BIGINT NOT NULL REFERENCES item (id),
    change    BIGINT NOT NULL CHECK (change BETWEEN -1000000000 AND 1000000000),
    reason    TEXT   NOT NULL,
    source_id BIGINT,
    note      TEXT   NOT NULL,
    who       TEXT   NOT NULL,
    at_ms     BIGINT NOT NULL,
    -- A count that agrees with the books changes nothing.
    CHECK (change <> 0 OR reason = 'count')
);
CREATE INDEX stock_entry_item ON stock_entry (item_id);

-- A count of what is for sale, or of one style. One at a time: two would each book the same difference.
CREATE TABLE stock_count (
    id       BIGINT NOT NULL PRIMARY KEY,
    scope    TEXT   NOT NULL,
    style_id BIGINT REFERENCES style (id),
    note     TEXT   NOT NULL,
    state    TEXT   NOT NULL,
    scans    BIGINT NOT NULL CHECK (scans >= 0),
    begun_ms BIGINT NOT NULL,
    begun_by TEXT   NOT NULL,
    ended_ms BIGINT,
    ended_by TEXT   NOT NULL,
    CHECK ((state = 'open') = (ended_ms IS NULL)),
    CHECK ((scope = 'style') = (style_id IS NOT NULL))
);
CREATE UNIQUE INDEX stock_count_open ON stock_count (state) WHERE state = 'open';

-- What was counted of an item; what the books had at the last scan of it; an identifier drawn then,
-- by which later entries are told from earlier ones; what was booked at the end.
CREATE TABLE stock_count_line (
    stock_count_id BIGINT NOT NULL REFERENCES stock_count (id),
    item_id        BIGINT NOT NULL REFERENCES item (id),
    stock_units    BIGINT NOT NULL CHECK (stock_units >= 0),
    booked         BIGINT NOT NULL CHECK (booked >= 0),
    mark           BIGINT NOT NULL,
    difference     BIGINT NOT NULL,
    left_message   TEXT   NOT NULL,
    who            TEXT   NOT NULL,
    PRIMARY KEY (stock_count_id, item_id)
);

-- Codes that were scanned and that no item has.
CREATE TABLE stock_count_unknown (
    stock_count_id BIGINT NOT NULL REFERENCES stock_count (id),
    code           TEXT   NOT NULL,
    scans          BIGINT NOT NULL CHECK (scans >= 1),
    mark           BIGINT NOT NULL,
    PRIMARY KEY (stock_count_id, code)
);
