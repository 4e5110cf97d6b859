-- What a person chose for a line of an order that waited, and what was given back for it outside the
-- books. Only ever added to, but for told_number: the online shop's own word of the same refund.
CREATE TABLE line_choice (
    line_id     BIGINT NOT NULL PRIMARY KEY REFERENCES order_line (id),
    order_id    BIGINT NOT NULL REFERENCES customer_order (id),
    choice      TEXT   NOT NULL CHECK (choice IN ('substituted', 'refunded', 'released', 'filled')),
    new_line_id BIGINT UNIQUE REFERENCES order_line (id),
    amount      BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount    BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax         BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    shipping    BIGINT NOT NULL CHECK (shipping BETWEEN 0 AND 1000000000000),
    told_number TEXT,
    reason      TEXT   NOT NULL,
    who         TEXT   NOT NULL,
    at_ms       BIGINT NOT NULL,
    CHECK ((choice = 'refunded') = (new_line_id IS NULL)),
    CHECK (choice = 'refunded' OR amount + discount + tax + shipping = 0),
    CHECK (choice = 'refunded' OR told_number IS NULL)
);
CREATE INDEX line_choice_order ON line_choice (order_id);

-- Lines of a paid order that are set aside wait for a person as short ones do.
CREATE INDEX order_line_held ON order_line (order_id) WHERE state = 'held';

-- Layouts that are kept in the shop and edited on its pages.
CREATE TABLE layout (
    name       TEXT   NOT NULL PRIMARY KEY,
    text       TEXT   NOT NULL,
    revision   BIGINT NOT NULL CHECK (revision >= 1),
    who        TEXT   NOT NULL,
    changed_ms BIGINT NOT NULL
);

-- The templates that listing texts are written from.
CREATE TABLE listing_text (
    name       TEXT   NOT NULL PRIMARY KEY,
    text       TEXT   NOT NULL,
    who        TEXT   NOT NULL,
    changed_ms BIGINT NOT NULL
);

-- Feeds that failed, until somebody has seen it.
CREATE TABLE feed_trouble (
    id    BIGINT NOT NULL PRIMARY KEY,
    at_ms BIGINT NOT NULL,
    file  TEXT   NOT NULL,
    words TEXT   NOT NULL,
    seen  BIGINT NOT NULL CHECK (seen IN (0, 1))
);
CREATE INDEX feed_trouble_unseen ON feed_trouble (id) WHERE seen = 0;

-- What is live and what ended, counted and paged through by state.
CREATE INDEX listing_state ON listing (connection_id, state, item_id);
