-- One set of statements for SQLite and PostgreSQL: columns are BIGINT and TEXT only, flags are
-- BIGINT 0/1, identifiers come from the program. Money is in minor units, stock in steps (units,
-- or thousandths of the stock unit), moments in UTC milliseconds. The CHECK ranges keep the sum of
-- a million rows below 2^63.

CREATE TABLE setting (
    name  TEXT NOT NULL PRIMARY KEY,
    value TEXT NOT NULL
);

-- The one row that every booking touches: the last receipt number, the last in-store number, and
-- the revision of the settings, by which a process notices that another one changed them.
CREATE TABLE shop_state (
    id                BIGINT NOT NULL PRIMARY KEY CHECK (id = 1),
    receipt           BIGINT NOT NULL CHECK (receipt BETWEEN 0 AND 1000000000000),
    in_store          BIGINT NOT NULL CHECK (in_store BETWEEN 0 AND 99999999999),
    settings_revision BIGINT NOT NULL CHECK (settings_revision >= 0)
);
INSERT INTO shop_state (id, receipt, in_store, settings_revision) VALUES (1, 0, 0, 0);

-- Which process has which node number, so that no two make the same identifier.
CREATE TABLE node_lease (
    node     BIGINT NOT NULL PRIMARY KEY CHECK (node BETWEEN 0 AND 1023),
    holder   TEXT   NOT NULL,
    until_ms BIGINT NOT NULL
);

-- The answer that a key was given, kept in the transaction that made it (law 5).
CREATE TABLE answer_key (
    scope     TEXT   NOT NULL,
    key       TEXT   NOT NULL,
    body_hash TEXT   NOT NULL,
    answer    TEXT,
    made_ms   BIGINT NOT NULL,
    PRIMARY KEY (scope, key)
);

CREATE TABLE channel (
    code TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL
);
INSERT INTO channel (code, name) VALUES
    ('store', 'Farm store'), ('online', 'Online shop'), ('market', 'Market stall'), ('wholesale', 'Wholesale');

CREATE TABLE style (
    id        BIGINT NOT NULL PRIMARY KEY,
    name      TEXT   NOT NULL,
    folded    TEXT   NOT NULL UNIQUE,
    rate      BIGINT NOT NULL CHECK (rate BETWEEN 1 AND 1000000000000),
    rate_unit TEXT   NOT NULL CHECK (rate_unit IN ('ONZ', 'LBR', 'GRM', 'HGM', 'KGM')),
    ending    TEXT   NOT NULL,
    minimum   BIGINT CHECK (minimum BETWEEN 0 AND 1000000000000),
    sizes     TEXT   NOT NULL,
    category  TEXT   NOT NULL,
    revision  BIGINT NOT NULL CHECK (revision >= 1),
    made_ms   BIGINT NOT NULL
);

-- Laws 1 and 2 stand here once more: 0 <= held <= on_hand, a piece is at most one, and
-- made = on hand + sold - put back + written off.
CREATE TABLE item (
    id          BIGINT NOT NULL PRIMARY KEY,
    kind        TEXT   NOT NULL CHECK (kind IN ('piece', 'counted', 'weight')),
    sku         TEXT   NOT NULL,
    in_store    TEXT   NOT NULL,
    gtin        TEXT,
    name        TEXT   NOT NULL,
    folded      TEXT   NOT NULL,
    style_id    BIGINT REFERENCES style (id),
    color       TEXT   NOT NULL,
    size        TEXT   NOT NULL,
    material    TEXT   NOT NULL,
    description TEXT   NOT NULL,
    image       TEXT   NOT NULL,
    weight      TEXT,
    weight_unit TEXT   CHECK (weight_unit IN ('ONZ', 'LBR', 'GRM', 'HGM', 'KGM')),
    extras      BIGINT NOT NULL CHECK (extras BETWEEN 0 AND 1000000000000),
    price       BIGINT NOT NULL CHECK (price BETWEEN 1 AND 1000000000000),
    priced_by   TEXT   NOT NULL CHECK (priced_by IN ('rule', 'hand')),
    cost        BIGINT CHECK (cost BETWEEN 0 AND 1000000000000),
    stock_unit  TEXT   CHECK (stock_unit IN ('ONZ', 'LBR', 'GRM', 'HGM', 'KGM')),
    keep_off    BIGINT NOT NULL CHECK (keep_off IN (0, 1)),
    on_hand     BIGINT NOT NULL CHECK (on_hand BETWEEN 0 AND 1000000000),
    held        BIGINT NOT NULL CHECK (held >= 0),
    made        BIGINT NOT NULL CHECK (made BETWEEN 0 AND 1000000000000),
    sold        BIGINT NOT NULL CHECK (sold BETWEEN 0 AND 1000000000000),
    put_back    BIGINT NOT NULL CHECK (put_back BETWEEN 0 AND 1000000000000),
    written_off BIGINT NOT NULL CHECK (written_off BETWEEN 0 AND 1000000000000),
    revision    BIGINT NOT NULL CHECK (revision >= 1),
    made_ms     BIGINT NOT NULL,
    CHECK (held <= on_hand),
    CHECK (kind <> 'piece' OR (on_hand <= 1 AND sold - put_back <= 1)),
    CHECK (made = on_hand + sold - put_back + written_off),
    CHECK ((kind = 'weight') = (stock_unit IS NOT NULL)),
    CHECK ((weight IS NULL) = (weight_unit IS NULL))
);
CREATE INDEX item_style ON item (style_id);

-- Every code that finds an item, in its one normal form.
CREATE TABLE code (
    code    TEXT   NOT NULL PRIMARY KEY,
    item_id BIGINT NOT NULL REFERENCES item (id)
);
CREATE INDEX code_item ON code (item_id);

-- Only ever added to.
CREATE TABLE stock_entry (
    id        BIGINT NOT NULL PRIMARY KEY,
    item_id   BIGINT NOT NULL REFERENCES item (id),
    change    BIGINT NOT NULL CHECK (change BETWEEN -1000000000 AND 1000000000 AND change <> 0),
    why       TEXT   NOT NULL CHECK (why IN ('made', 'count', 'damage', 'gift', 'own-use', 'sold', 'put-back', 'voided')),
    source_id BIGINT,
    note      TEXT   NOT NULL,
    who       TEXT   NOT NULL,
    at_ms     BIGINT NOT NULL
);
CREATE INDEX stock_entry_item ON stock_entry (item_id);

CREATE TABLE hold (
    id       BIGINT NOT NULL PRIMARY KEY,
    group_id BIGINT NOT NULL,
    item_id  BIGINT NOT NULL REFERENCES item (id),
    steps    BIGINT NOT NULL CHECK (steps BETWEEN 1 AND 1000000000),
    purpose  TEXT   NOT NULL CHECK (purpose IN ('customer', 'basket', 'market', 'order')),
    for_whom TEXT   NOT NULL,
    until_ms BIGINT,
    state    TEXT   NOT NULL CHECK (state IN ('open', 'taken', 'ended', 'expired')),
    made_ms  BIGINT NOT NULL,
    ended_ms BIGINT,
    CHECK ((state = 'open') = (ended_ms IS NULL))
);
CREATE INDEX hold_group ON hold (group_id);
CREATE INDEX hold_open_item ON hold (item_id) WHERE state = 'open';
CREATE INDEX hold_open_until ON hold (until_ms) WHERE state = 'open' AND until_ms IS NOT NULL;

-- Its key is (channel, number); the body is kept as its hash, without the customer.
CREATE TABLE customer_order (
    id             BIGINT NOT NULL PRIMARY KEY,
    channel        TEXT   NOT NULL REFERENCES channel (code),
    number         TEXT   NOT NULL,
    body_hash      TEXT   NOT NULL,
    status         TEXT   NOT NULL,
    past           BIGINT NOT NULL CHECK (past IN (0, 1)),
    ordered_ms     BIGINT NOT NULL,
    modified_ms    BIGINT,
    sale_id        BIGINT,
    discount       BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    shipping       BIGINT NOT NULL CHECK (shipping BETWEEN 0 AND 1000000000000),
    fee            BIGINT NOT NULL CHECK (fee BETWEEN 0 AND 1000000000000),
    customer_name  TEXT   NOT NULL,
    customer_email TEXT   NOT NULL,
    revision       BIGINT NOT NULL CHECK (revision >= 1),
    taken_ms       BIGINT NOT NULL,
    UNIQUE (channel, number)
);

-- Law 4 stands here once more. Only ever added to. Past sales have no receipt number.
CREATE TABLE sale (
    id           BIGINT NOT NULL PRIMARY KEY,
    channel      TEXT   NOT NULL REFERENCES channel (code),
    receipt      BIGINT UNIQUE,
    at_ms        BIGINT NOT NULL,
    past         BIGINT NOT NULL CHECK (past IN (0, 1)),
    order_id     BIGINT REFERENCES customer_order (id),
    goods        BIGINT NOT NULL CHECK (goods BETWEEN 0 AND 1000000000000),
    not_revenue  BIGINT NOT NULL CHECK (not_revenue BETWEEN 0 AND 1000000000000),
    discounts    BIGINT NOT NULL CHECK (discounts BETWEEN 0 AND 1000000000000),
    tax          BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    shipping     BIGINT NOT NULL CHECK (shipping BETWEEN 0 AND 1000000000000),
    rounding     BIGINT NOT NULL CHECK (rounding BETWEEN -1000000 AND 1000000),
    tendered     BIGINT NOT NULL CHECK (tendered BETWEEN 0 AND 1000000000000),
    change_given BIGINT NOT NULL CHECK (change_given BETWEEN 0 AND 1000000000000),
    fee          BIGINT NOT NULL CHECK (fee BETWEEN 0 AND 1000000000000),
    note         TEXT   NOT NULL,
    who          TEXT   NOT NULL,
    CHECK (goods + not_revenue - discounts + tax + shipping + rounding = tendered - change_given),
    CHECK ((past = 1) = (receipt IS NULL))
);
CREATE INDEX sale_at ON sale (at_ms);
CREATE INDEX sale_order ON sale (order_id) WHERE order_id IS NOT NULL;

-- The sale's own copy of what it sold (law 6). Only ever added to.
CREATE TABLE sale_line (
    id       BIGINT NOT NULL PRIMARY KEY,
    sale_id  BIGINT NOT NULL REFERENCES sale (id),
    position BIGINT NOT NULL,
    kind     TEXT   NOT NULL CHECK (kind IN ('goods', 'gift-note', 'deposit')),
    item_id  BIGINT REFERENCES item (id),
    code     TEXT   NOT NULL,
    title    TEXT   NOT NULL,
    steps    BIGINT NOT NULL CHECK (steps BETWEEN 1 AND 1000000000),
    unit     TEXT   NOT NULL CHECK (unit IN ('', 'ONZ', 'LBR', 'GRM', 'HGM', 'KGM')),
    price    BIGINT NOT NULL CHECK (price BETWEEN 0 AND 1000000000000),
    amount   BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax      BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    cost     BIGINT CHECK (cost BETWEEN 0 AND 1000000000000),
    CHECK (discount <= amount)
);
CREATE INDEX sale_line_sale ON sale_line (sale_id);
CREATE INDEX sale_line_item ON sale_line (item_id) WHERE item_id IS NOT NULL;
CREATE INDEX sale_line_past_code ON sale_line (code) WHERE item_id IS NULL AND code <> '';

-- Sold on paper only: undone on the day of the sale. Only ever added to.
CREATE TABLE voided (
    sale_id BIGINT NOT NULL PRIMARY KEY REFERENCES sale (id),
    at_ms   BIGINT NOT NULL,
    reason  TEXT   NOT NULL,
    who     TEXT   NOT NULL
);

-- Law 4 with every sign turned. Only ever added to.
CREATE TABLE refund (
    id        BIGINT NOT NULL PRIMARY KEY,
    sale_id   BIGINT NOT NULL REFERENCES sale (id),
    channel   TEXT   NOT NULL REFERENCES channel (code),
    at_ms     BIGINT NOT NULL,
    goods     BIGINT NOT NULL CHECK (goods BETWEEN 0 AND 1000000000000),
    discounts BIGINT NOT NULL CHECK (discounts BETWEEN 0 AND 1000000000000),
    tax       BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    shipping  BIGINT NOT NULL CHECK (shipping BETWEEN 0 AND 1000000000000),
    rounding  BIGINT NOT NULL CHECK (rounding BETWEEN -1000000 AND 1000000),
    tendered  BIGINT NOT NULL CHECK (tendered BETWEEN 0 AND 1000000000000),
    reason    TEXT   NOT NULL,
    who       TEXT   NOT NULL,
    CHECK (goods - discounts + tax + shipping + rounding = tendered)
);
CREATE INDEX refund_sale ON refund (sale_id);
CREATE INDEX refund_at ON refund (at_ms);

CREATE TABLE refund_line (
    id           BIGINT NOT NULL PRIMARY KEY,
    refund_id    BIGINT NOT NULL REFERENCES refund (id),
    sale_line_id BIGINT NOT NULL REFERENCES sale_line (id),
    steps        BIGINT NOT NULL CHECK (steps BETWEEN 1 AND 1000000000),
    units        BIGINT NOT NULL CHECK (units BETWEEN 0 AND 1000000000),
    amount       BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount     BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax          BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    cost         BIGINT NOT NULL CHECK (cost BETWEEN 0 AND 1000000000000)
);
CREATE INDEX refund_line_refund ON refund_line (refund_id);
CREATE INDEX refund_line_sale_line ON refund_line (sale_line_id);

-- What became of refunded goods; none yet means that nobody has said. Only ever added to.
CREATE TABLE came_back (
    refund_line_id BIGINT NOT NULL PRIMARY KEY REFERENCES refund_line (id),
    fate           TEXT   NOT NULL CHECK (fate IN ('shelf', 'written-off')),
    at_ms          BIGINT NOT NULL,
    who            TEXT   NOT NULL
);

-- Law 9: what was given back of a line, beside what was sold of it.
CREATE TABLE line_back (
    sale_line_id  BIGINT NOT NULL PRIMARY KEY REFERENCES sale_line (id),
    steps_sold    BIGINT NOT NULL,
    amount_sold   BIGINT NOT NULL,
    discount_sold BIGINT NOT NULL,
    tax_sold      BIGINT NOT NULL,
    steps         BIGINT NOT NULL,
    amount        BIGINT NOT NULL,
    discount      BIGINT NOT NULL,
    tax           BIGINT NOT NULL,
    cost          BIGINT NOT NULL CHECK (cost >= 0),
    CHECK (steps BETWEEN 0 AND steps_sold),
    CHECK (amount BETWEEN 0 AND amount_sold),
    CHECK (discount BETWEEN 0 AND discount_sold),
    CHECK (tax BETWEEN 0 AND tax_sold)
);

-- Law 9 for shipping; also what forbids a void after a refund and a refund after a void.
CREATE TABLE sale_back (
    sale_id       BIGINT NOT NULL PRIMARY KEY REFERENCES sale (id),
    shipping_sold BIGINT NOT NULL,
    shipping      BIGINT NOT NULL,
    refunds       BIGINT NOT NULL CHECK (refunds >= 0),
    voided        BIGINT NOT NULL CHECK (voided IN (0, 1)),
    CHECK (shipping BETWEEN 0 AND shipping_sold),
    CHECK (voided = 0 OR refunds = 0)
);

-- How a sale was paid, or a refund given back. Only ever added to.
CREATE TABLE tender (
    id        BIGINT NOT NULL PRIMARY KEY,
    sale_id   BIGINT REFERENCES sale (id),
    refund_id BIGINT REFERENCES refund (id),
    kind      TEXT   NOT NULL CHECK (kind IN ('cash', 'card', 'cheque', 'online', 'gift-note', 'owed', 'other')),
    amount    BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    customer  TEXT   NOT NULL,
    due_day   BIGINT,
    CHECK ((sale_id IS NULL) <> (refund_id IS NULL))
);
CREATE INDEX tender_sale ON tender (sale_id) WHERE sale_id IS NOT NULL;
CREATE INDEX tender_refund ON tender (refund_id) WHERE refund_id IS NOT NULL;

-- What is owed, and how much of it was paid since.
CREATE TABLE owed (
    tender_id BIGINT NOT NULL PRIMARY KEY REFERENCES tender (id),
    sale_id   BIGINT NOT NULL REFERENCES sale (id),
    customer  TEXT   NOT NULL,
    due_day   BIGINT NOT NULL,
    amount    BIGINT NOT NULL CHECK (amount BETWEEN 1 AND 1000000000000),
    paid      BIGINT NOT NULL,
    CHECK (paid BETWEEN 0 AND amount)
);
CREATE INDEX owed_open ON owed (due_day) WHERE paid < amount;

CREATE TABLE payment (
    id        BIGINT NOT NULL PRIMARY KEY,
    tender_id BIGINT NOT NULL REFERENCES owed (tender_id),
    kind      TEXT   NOT NULL CHECK (kind IN ('cash', 'card', 'cheque', 'online', 'gift-note', 'other')),
    amount    BIGINT NOT NULL CHECK (amount BETWEEN 1 AND 1000000000000),
    at_ms     BIGINT NOT NULL,
    who       TEXT   NOT NULL
);
CREATE INDEX payment_tender ON payment (tender_id);

-- The lines of a live order. Filled lines became sale lines; short ones wait for a person.
CREATE TABLE order_line (
    id           BIGINT NOT NULL PRIMARY KEY,
    order_id     BIGINT NOT NULL REFERENCES customer_order (id),
    position     BIGINT NOT NULL,
    item_id      BIGINT REFERENCES item (id),
    code         TEXT   NOT NULL,
    title        TEXT   NOT NULL,
    steps        BIGINT NOT NULL CHECK (steps BETWEEN 1 AND 1000000000),
    unit         TEXT   NOT NULL CHECK (unit IN ('', 'ONZ', 'LBR', 'GRM', 'HGM', 'KGM')),
    price        BIGINT NOT NULL CHECK (price BETWEEN 0 AND 1000000000000),
    amount       BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount     BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax          BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    state        TEXT   NOT NULL CHECK (state IN ('held', 'filled', 'short', 'undone')),
    hold_id      BIGINT REFERENCES hold (id),
    sale_line_id BIGINT REFERENCES sale_line (id)
);
CREATE INDEX order_line_order ON order_line (order_id);
CREATE INDEX order_line_short ON order_line (order_id) WHERE state = 'short';

-- Each refund of an order is booked once.
CREATE TABLE order_refund (
    order_id  BIGINT NOT NULL REFERENCES customer_order (id),
    number    TEXT   NOT NULL,
    refund_id BIGINT REFERENCES refund (id),
    at_ms     BIGINT NOT NULL,
    PRIMARY KEY (order_id, number)
);

CREATE TABLE connection (
    id      BIGINT NOT NULL PRIMARY KEY,
    name    TEXT   NOT NULL UNIQUE,
    channel TEXT   NOT NULL REFERENCES channel (code)
);
INSERT INTO connection (id, name, channel) VALUES (1, 'feed', 'online');

-- What a connection's shop was last told of an item.
CREATE TABLE listing (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    item_id       BIGINT NOT NULL REFERENCES item (id),
    state         TEXT   NOT NULL CHECK (state IN ('listed', 'ended')),
    revision      BIGINT NOT NULL,
    content_hash  TEXT   NOT NULL,
    other_id      TEXT   NOT NULL,
    told_ms       BIGINT NOT NULL,
    PRIMARY KEY (connection_id, item_id)
);
CREATE INDEX listing_item ON listing (item_id);

-- What has changed since; work is found by state, never by a high-water mark.
CREATE TABLE outbox (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    item_id       BIGINT NOT NULL REFERENCES item (id),
    revision      BIGINT NOT NULL,
    state         TEXT   NOT NULL CHECK (state IN ('waiting', 'sent')),
    PRIMARY KEY (item_id, revision, connection_id)
);
CREATE INDEX outbox_waiting ON outbox (connection_id, item_id) WHERE state = 'waiting';

CREATE TABLE feed_run (
    id            BIGINT NOT NULL PRIMARY KEY,
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    at_ms         BIGINT NOT NULL,
    kind          TEXT   NOT NULL CHECK (kind IN ('all', 'changes')),
    listings      BIGINT NOT NULL,
    file_name     TEXT   NOT NULL,
    file_hash     TEXT   NOT NULL
);

-- The items of a run of changes, so that it can be written again.
CREATE TABLE feed_run_item (
    run_id  BIGINT NOT NULL REFERENCES feed_run (id),
    item_id BIGINT NOT NULL REFERENCES item (id),
    PRIMARY KEY (run_id, item_id)
);

-- A file that was taken in, how far, and what was answered.
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

-- The day's totals, kept in the transaction of every entry that they sum (law 3).
CREATE TABLE day_total (
    day       BIGINT NOT NULL,
    channel   TEXT   NOT NULL REFERENCES channel (code),
    month     BIGINT NOT NULL,
    sales     BIGINT NOT NULL,
    units     BIGINT NOT NULL,
    weight    BIGINT NOT NULL,
    gross     BIGINT NOT NULL CHECK (gross BETWEEN -1000000000000 AND 1000000000000),
    discounts BIGINT NOT NULL CHECK (discounts BETWEEN -1000000000000 AND 1000000000000),
    refunds   BIGINT NOT NULL CHECK (refunds BETWEEN -1000000000000 AND 1000000000000),
    shipping  BIGINT NOT NULL CHECK (shipping BETWEEN -1000000000000 AND 1000000000000),
    tax       BIGINT NOT NULL CHECK (tax BETWEEN -1000000000000 AND 1000000000000),
    fees      BIGINT NOT NULL CHECK (fees BETWEEN -1000000000000 AND 1000000000000),
    postage   BIGINT NOT NULL CHECK (postage BETWEEN -1000000000000 AND 1000000000000),
    cost      BIGINT NOT NULL CHECK (cost BETWEEN -1000000000000 AND 1000000000000),
    uncosted  BIGINT NOT NULL,
    rounding  BIGINT NOT NULL CHECK (rounding BETWEEN -1000000000000 AND 1000000000000),
    PRIMARY KEY (day, channel)
);
CREATE INDEX day_total_month ON day_total (month);
