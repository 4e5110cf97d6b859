-- Orders: what became of the orders of the online shop.

-- Refunds that a later state of an order made. Only ever added to.
CREATE TABLE order_change (
    refund_id BIGINT NOT NULL PRIMARY KEY REFERENCES refund (id),
    order_id  BIGINT NOT NULL REFERENCES customer_order (id)
);
CREATE INDEX order_change_order ON order_change (order_id);

-- What a later state made of the fee that the channel keeps. Only ever added to.
CREATE TABLE order_fee (
    id       BIGINT NOT NULL PRIMARY KEY,
    order_id BIGINT NOT NULL REFERENCES customer_order (id),
    channel  TEXT   NOT NULL REFERENCES channel (code),
    amount   BIGINT NOT NULL CHECK (amount BETWEEN -1000000000000 AND 1000000000000 AND amount <> 0),
    at_ms    BIGINT NOT NULL,
    who      TEXT   NOT NULL
);
CREATE INDEX order_fee_order ON order_fee (order_id);

-- The lines of a live order. Filled lines became sale lines; short ones wait for a person.
CREATE TABLE order_line (
    id           BIGINT NOT NULL PRIMARY KEY,
    order_id     BIGINT NOT NULL REFERENCES customer_order (id),
    position     BIGINT NOT NULL,
    item_id      BIGINT REFERENCES item (id),
    code         TEXT   NOT NULL,
    title        TEXT   NOT NULL,
    stock_units  BIGINT NOT NULL CHECK (stock_units BETWEEN 1 AND 1000000000),
    unit         TEXT   NOT NULL,
    price        BIGINT NOT NULL CHECK (price BETWEEN 0 AND 1000000000000),
    amount       BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount     BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax          BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    state        TEXT   NOT NULL,
    hold_id      BIGINT REFERENCES hold (id),
    sale_line_id BIGINT REFERENCES sale_line (id),
    for_item_id  BIGINT REFERENCES item (id)
);
CREATE INDEX order_line_order ON order_line (order_id);
CREATE INDEX order_line_item ON order_line (item_id) WHERE item_id IS NOT NULL;
CREATE INDEX order_line_for_item ON order_line (for_item_id) WHERE for_item_id IS NOT NULL;
CREATE INDEX order_line_short ON order_line (order_id) WHERE state = 'short';
-- Lines of a paid order that are on hold wait for a person as short ones do.
CREATE INDEX order_line_held ON order_line (order_id) WHERE state = 'held';
CREATE INDEX order_line_hold ON order_line (hold_id) WHERE hold_id IS NOT NULL;
CREATE INDEX order_line_sale_line ON order_line (sale_line_id) WHERE sale_line_id IS NOT NULL;

-- What a person chose for a line of an order that waited, and what was given back for it outside the
-- books. Only ever added to, but for refund_number: the online shop's own word of the same refund.
CREATE TABLE line_decision (
    line_id       BIGINT NOT NULL PRIMARY KEY REFERENCES order_line (id),
    order_id      BIGINT NOT NULL REFERENCES customer_order (id),
    choice        TEXT   NOT NULL,
    new_line_id   BIGINT UNIQUE REFERENCES order_line (id),
    amount        BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount      BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax           BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    shipping      BIGINT NOT NULL CHECK (shipping BETWEEN 0 AND 1000000000000),
    refund_number TEXT,
    reason        TEXT   NOT NULL,
    who           TEXT   NOT NULL,
    at_ms         BIGINT NOT NULL,
    CHECK ((choice = 'refunded') = (new_line_id IS NULL)),
    CHECK (choice = 'refunded' OR amount + discount + tax + shipping = 0),
    CHECK (choice = 'refunded' OR refund_number IS NULL)
);
CREATE INDEX line_decision_order ON line_decision (order_id);

-- Each refund of an order is booked once.
CREATE TABLE order_refund (
    order_id  BIGINT NOT NULL REFERENCES customer_order (id),
    number    TEXT   NOT NULL,
    refund_id BIGINT REFERENCES refund (id),
    at_ms     BIGINT NOT NULL,
    PRIMARY KEY (order_id, number)
);

-- What the latest accepted state of a live order says of each item: `check` compares the books with it, and a
-- later state is booked by its difference from it. Nothing of an order that is over.
CREATE TABLE order_state_item (
    order_id    BIGINT NOT NULL REFERENCES customer_order (id),
    item_id     BIGINT NOT NULL REFERENCES item (id),
    stock_units BIGINT NOT NULL CHECK (stock_units BETWEEN 1 AND 1000000000000),
    amount      BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount    BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax         BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    PRIMARY KEY (order_id, item_id)
);
