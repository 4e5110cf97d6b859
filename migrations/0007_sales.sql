-- Sales: what was sold, paid, given back and voided, sales that are being rung up, and the cash drawer.

-- Written by `orders`; stands here because a sale refers to its order. Its key is (channel, number); the body is
-- kept as its hash, without the customer. `status_by`: who said what an order is that came with an unknown status.
-- `customer_id`: what the order says of its buyer, until it is erased.
CREATE TABLE customer_order (
    id             BIGINT NOT NULL PRIMARY KEY,
    channel        TEXT   NOT NULL REFERENCES channel (code),
    number         TEXT   NOT NULL,
    body_hash      TEXT   NOT NULL,
    status         TEXT   NOT NULL,
    backfilled     BIGINT NOT NULL CHECK (backfilled IN (0, 1)),
    ordered_ms     BIGINT NOT NULL,
    modified_ms    BIGINT,
    sale_id        BIGINT,
    discount       BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    shipping       BIGINT NOT NULL CHECK (shipping BETWEEN 0 AND 1000000000000),
    fee            BIGINT NOT NULL CHECK (fee BETWEEN 0 AND 1000000000000),
    customer_id    BIGINT REFERENCES person_data (id),
    revision       BIGINT NOT NULL CHECK (revision >= 1),
    taken_ms       BIGINT NOT NULL,
    status_by      TEXT   NOT NULL DEFAULT '',
    UNIQUE (channel, number)
);
CREATE INDEX customer_order_customer ON customer_order (customer_id) WHERE customer_id IS NOT NULL;
CREATE INDEX customer_order_named ON customer_order (ordered_ms) WHERE customer_id IS NOT NULL;

-- From counting the opening cash to counting the cash out. One is open at a time on a channel; expected
-- is what its entries come to, and the row's own lock keeps a sale from slipping past its close.
CREATE TABLE drawer_turn (
    id           BIGINT NOT NULL PRIMARY KEY,
    channel      TEXT   NOT NULL REFERENCES channel (code),
    opened_ms    BIGINT NOT NULL,
    opened_by    TEXT   NOT NULL,
    opening_cash BIGINT NOT NULL CHECK (opening_cash BETWEEN 0 AND 1000000000000),
    expected     BIGINT NOT NULL CHECK (expected BETWEEN -1000000000000 AND 1000000000000),
    closed_ms    BIGINT,
    closed_by    TEXT   NOT NULL,
    counts       TEXT   NOT NULL,
    counted      BIGINT CHECK (counted BETWEEN 0 AND 1000000000000),
    difference   BIGINT,
    note         TEXT   NOT NULL,
    CHECK ((closed_ms IS NULL) = (counted IS NULL)),
    CHECK ((closed_ms IS NULL) = (difference IS NULL)),
    CHECK (closed_ms IS NULL OR difference = counted - expected)
);
CREATE UNIQUE INDEX drawer_turn_open ON drawer_turn (channel) WHERE closed_ms IS NULL;

-- Only ever added to.
CREATE TABLE drawer_entry (
    id        BIGINT NOT NULL PRIMARY KEY,
    turn_id   BIGINT NOT NULL REFERENCES drawer_turn (id),
    kind      TEXT   NOT NULL,
    amount    BIGINT NOT NULL CHECK (amount BETWEEN -1000000000000 AND 1000000000000),
    source_id BIGINT,
    reason    TEXT   NOT NULL,
    who       TEXT   NOT NULL,
    at_ms     BIGINT NOT NULL,
    CHECK ((kind IN ('sale', 'refund', 'payment', 'void')) = (source_id IS NOT NULL)),
    CHECK (kind NOT IN ('float', 'put-in', 'sale', 'payment') OR amount >= 0),
    CHECK (kind NOT IN ('taken-out', 'refund', 'void') OR amount <= 0)
);
CREATE INDEX drawer_entry_turn ON drawer_entry (turn_id);
CREATE INDEX drawer_entry_source ON drawer_entry (source_id) WHERE source_id IS NOT NULL;

-- Law 4 stands here once more. Only ever added to. Past sales have no receipt number.
CREATE TABLE sale (
    id           BIGINT NOT NULL PRIMARY KEY,
    channel      TEXT   NOT NULL REFERENCES channel (code),
    receipt      BIGINT UNIQUE,
    at_ms        BIGINT NOT NULL,
    backfilled   BIGINT NOT NULL CHECK (backfilled IN (0, 1)),
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
    -- For whom it was rung up, and the terms at that time.
    customer_id  BIGINT REFERENCES person_data (id),
    wholesale    BIGINT NOT NULL CHECK (wholesale IN (0, 1)),
    tax_exempt   BIGINT NOT NULL CHECK (tax_exempt IN (0, 1)),
    CHECK (goods + not_revenue - discounts + tax + shipping + rounding = tendered - change_given),
    CHECK ((backfilled = 1) = (receipt IS NULL))
);
CREATE INDEX sale_at ON sale (at_ms);
CREATE INDEX sale_due ON sale ((tendered - change_given));
CREATE INDEX sale_order ON sale (order_id) WHERE order_id IS NOT NULL;
CREATE INDEX sale_customer ON sale (customer_id, id) WHERE customer_id IS NOT NULL;

-- A sale that is being rung up is kept here and not in a browser, so that a connection that drops never loses it. Its
-- content is JSON text that the ledger checks; the row's revision is what a change is based on.
CREATE TABLE basket (
    id         BIGINT NOT NULL PRIMARY KEY,
    channel    TEXT   NOT NULL REFERENCES channel (code),
    revision   BIGINT NOT NULL CHECK (revision >= 1),
    state      TEXT   NOT NULL,
    content    TEXT   NOT NULL,
    hold_group BIGINT,
    sale_id    BIGINT UNIQUE REFERENCES sale (id),
    who        TEXT   NOT NULL,
    made_ms    BIGINT NOT NULL,
    changed_ms BIGINT NOT NULL,
    CHECK ((state = 'paid') = (sale_id IS NOT NULL))
);
CREATE INDEX basket_open ON basket (changed_ms) WHERE state = 'open';

-- The contents of an open sale before its last changes, for undoing them; `revision` is the one that they had, and 0
-- before the first. Deleted when the sale ends.
CREATE TABLE basket_step (
    basket_id BIGINT NOT NULL REFERENCES basket (id),
    revision  BIGINT NOT NULL CHECK (revision >= 0),
    channel   TEXT   NOT NULL REFERENCES channel (code),
    content   TEXT   NOT NULL,
    PRIMARY KEY (basket_id, revision)
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
    -- The sale that it paid, in an exchange.
    paid_sale BIGINT REFERENCES sale (id),
    CHECK (goods - discounts + tax + shipping + rounding = tendered)
);
CREATE INDEX refund_sale ON refund (sale_id);
CREATE UNIQUE INDEX refund_paid_sale ON refund (paid_sale) WHERE paid_sale IS NOT NULL;
CREATE INDEX refund_at ON refund (at_ms);

-- Law 9 for shipping; also what forbids a void after a refund and a refund after a void.
CREATE TABLE sale_refunded (
    sale_id       BIGINT NOT NULL PRIMARY KEY REFERENCES sale (id),
    shipping_sold BIGINT NOT NULL,
    shipping      BIGINT NOT NULL,
    refunds       BIGINT NOT NULL CHECK (refunds >= 0),
    voided        BIGINT NOT NULL CHECK (voided IN (0, 1)),
    CHECK (shipping BETWEEN 0 AND shipping_sold),
    CHECK (voided = 0 OR refunds = 0)
);

-- The sale's own copy of what it sold (law 6), with the weight of a piece as the scale showed it. The style's rule stands
-- here if it gave this price. Only ever added to.
CREATE TABLE sale_line (
    id          BIGINT NOT NULL PRIMARY KEY,
    sale_id     BIGINT NOT NULL REFERENCES sale (id),
    position    BIGINT NOT NULL,
    kind        TEXT   NOT NULL,
    item_id     BIGINT REFERENCES item (id),
    code        TEXT   NOT NULL,
    title       TEXT   NOT NULL,
    stock_units BIGINT NOT NULL CHECK (stock_units BETWEEN 1 AND 1000000000),
    unit        TEXT   NOT NULL,
    price       BIGINT NOT NULL CHECK (price BETWEEN 0 AND 1000000000000),
    amount      BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount    BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax         BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    cost        BIGINT CHECK (cost BETWEEN 0 AND 1000000000000),
    weight      TEXT,
    weight_unit TEXT,
    rate        BIGINT CHECK (rate BETWEEN 1 AND 1000000000000),
    rate_unit   TEXT,
    ending      TEXT,
    extras      BIGINT CHECK (extras BETWEEN 0 AND 1000000000000),
    minimum     BIGINT CHECK (minimum BETWEEN 0 AND 1000000000000),
    CHECK (discount <= amount),
    CHECK ((weight IS NULL) = (weight_unit IS NULL)),
    CHECK ((rate IS NULL) = (rate_unit IS NULL)),
    CHECK ((rate IS NULL) = (ending IS NULL)),
    CHECK ((rate IS NULL) = (extras IS NULL)),
    CHECK (rate IS NULL OR weight IS NOT NULL),
    CHECK (minimum IS NULL OR rate IS NOT NULL)
);
CREATE INDEX sale_line_sale ON sale_line (sale_id);
CREATE INDEX sale_line_item ON sale_line (item_id) WHERE item_id IS NOT NULL;
CREATE INDEX sale_line_backfilled_code ON sale_line (code) WHERE item_id IS NULL AND code <> '';

-- Law 9: what was given back of a line, beside what was sold of it.
CREATE TABLE line_refunded (
    sale_line_id     BIGINT NOT NULL PRIMARY KEY REFERENCES sale_line (id),
    stock_units_sold BIGINT NOT NULL,
    amount_sold      BIGINT NOT NULL,
    discount_sold    BIGINT NOT NULL,
    tax_sold         BIGINT NOT NULL,
    stock_units      BIGINT NOT NULL,
    amount           BIGINT NOT NULL,
    discount         BIGINT NOT NULL,
    tax              BIGINT NOT NULL,
    cost             BIGINT NOT NULL CHECK (cost >= 0),
    CHECK (stock_units BETWEEN 0 AND stock_units_sold),
    CHECK (amount BETWEEN 0 AND amount_sold),
    CHECK (discount BETWEEN 0 AND discount_sold),
    CHECK (tax BETWEEN 0 AND tax_sold)
);

-- A line without stock units is money alone: the customer keeps the goods. Only ever added to.
CREATE TABLE refund_line (
    id           BIGINT NOT NULL PRIMARY KEY,
    refund_id    BIGINT NOT NULL REFERENCES refund (id),
    sale_line_id BIGINT NOT NULL REFERENCES sale_line (id),
    stock_units  BIGINT NOT NULL CHECK (stock_units BETWEEN 0 AND 1000000000),
    units        BIGINT NOT NULL CHECK (units BETWEEN 0 AND 1000000000),
    amount       BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount     BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax          BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    cost         BIGINT NOT NULL CHECK (cost BETWEEN 0 AND 1000000000000),
    CHECK (stock_units > 0 OR (units = 0 AND cost = 0 AND amount - discount + tax > 0))
);
CREATE INDEX refund_line_refund ON refund_line (refund_id);
CREATE INDEX refund_line_sale_line ON refund_line (sale_line_id);

-- What became of refunded goods; none yet means that nobody has said. Only ever added to.
CREATE TABLE return_decision (
    refund_line_id BIGINT NOT NULL PRIMARY KEY REFERENCES refund_line (id),
    disposition    TEXT   NOT NULL,
    at_ms          BIGINT NOT NULL,
    who            TEXT   NOT NULL
);

-- How a sale was paid, or a refund given back. Only ever added to.
CREATE TABLE tender (
    id          BIGINT NOT NULL PRIMARY KEY,
    sale_id     BIGINT REFERENCES sale (id),
    refund_id   BIGINT REFERENCES refund (id),
    kind        TEXT   NOT NULL,
    amount      BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    customer_id BIGINT REFERENCES person_data (id),
    due_day     BIGINT,
    CHECK ((sale_id IS NULL) <> (refund_id IS NULL))
);
CREATE INDEX tender_sale ON tender (sale_id) WHERE sale_id IS NOT NULL;
CREATE INDEX tender_refund ON tender (refund_id) WHERE refund_id IS NOT NULL;

-- What a customer owes for a sale on account, and how much of it was paid since.
CREATE TABLE open_balance (
    tender_id   BIGINT NOT NULL PRIMARY KEY REFERENCES tender (id),
    sale_id     BIGINT NOT NULL REFERENCES sale (id),
    customer_id BIGINT NOT NULL REFERENCES person_data (id),
    due_day     BIGINT NOT NULL,
    amount      BIGINT NOT NULL CHECK (amount BETWEEN 1 AND 1000000000000),
    paid        BIGINT NOT NULL,
    CHECK (paid BETWEEN 0 AND amount)
);
CREATE INDEX open_balance_open ON open_balance (due_day) WHERE paid < amount;
CREATE INDEX open_balance_sale ON open_balance (sale_id);
CREATE INDEX open_balance_customer ON open_balance (customer_id);

CREATE TABLE payment (
    id        BIGINT NOT NULL PRIMARY KEY,
    tender_id BIGINT NOT NULL REFERENCES open_balance (tender_id),
    kind      TEXT   NOT NULL,
    amount    BIGINT NOT NULL CHECK (amount BETWEEN 1 AND 1000000000000),
    at_ms     BIGINT NOT NULL,
    who       TEXT   NOT NULL,
    CHECK (kind <> 'on-account')
);
CREATE INDEX payment_tender ON payment (tender_id);
CREATE INDEX payment_at ON payment (at_ms);

-- Sold on paper only: undone on the day of the sale. Only ever added to.
CREATE TABLE sale_void (
    sale_id BIGINT NOT NULL PRIMARY KEY REFERENCES sale (id),
    at_ms   BIGINT NOT NULL,
    reason  TEXT   NOT NULL,
    who     TEXT   NOT NULL
);
CREATE INDEX sale_void_at ON sale_void (at_ms);

-- A piece that is made for one customer. It holds the piece once it is made, and ends with the sale of it or when it is
-- canceled. `hold_group` is the hold that was made for it last, open or not.
CREATE TABLE custom_order (
    id          BIGINT NOT NULL PRIMARY KEY,
    customer_id BIGINT NOT NULL REFERENCES person_data (id),
    style_id    BIGINT REFERENCES style (id),
    size        TEXT   NOT NULL,
    color       TEXT   NOT NULL,
    note        TEXT   NOT NULL,
    due_day     BIGINT NOT NULL,
    estimate    BIGINT CHECK (estimate BETWEEN 1 AND 1000000000000),
    state       TEXT   NOT NULL,
    item_id     BIGINT REFERENCES item (id),
    hold_group  BIGINT,
    sale_id     BIGINT REFERENCES sale (id),
    reason      TEXT   NOT NULL,
    who         TEXT   NOT NULL,
    made_ms     BIGINT NOT NULL,
    ended_by    TEXT   NOT NULL,
    ended_ms    BIGINT,
    CHECK (state <> 'open' OR item_id IS NULL),
    CHECK (state NOT IN ('made', 'collected') OR item_id IS NOT NULL),
    CHECK ((state = 'collected') = (sale_id IS NOT NULL)),
    CHECK ((state IN ('collected', 'canceled')) = (ended_ms IS NOT NULL)),
    CHECK ((item_id IS NULL) = (hold_group IS NULL))
);
CREATE INDEX custom_order_customer ON custom_order (customer_id);
CREATE INDEX custom_order_due ON custom_order (due_day) WHERE state IN ('open', 'made');
CREATE INDEX custom_order_style ON custom_order (style_id) WHERE style_id IS NOT NULL;
CREATE INDEX custom_order_item ON custom_order (item_id) WHERE item_id IS NOT NULL;
CREATE INDEX custom_order_sale ON custom_order (sale_id) WHERE sale_id IS NOT NULL;
CREATE UNIQUE INDEX custom_order_piece ON custom_order (item_id) WHERE state IN ('made', 'collected');

-- Money that the shop holds for somebody: gift certificates, which whoever knows the number can spend, and deposits, each
-- of one customer for one hold or custom order. Written only while the shop's row is locked, and the CHECK forbids that
-- more is spent than there is.
CREATE TABLE account (
    id           BIGINT NOT NULL PRIMARY KEY,
    kind         TEXT   NOT NULL,
    number       TEXT   UNIQUE,
    customer_id  BIGINT REFERENCES person_data (id),
    balance      BIGINT NOT NULL CHECK (balance BETWEEN 0 AND 1000000000000),
    note         TEXT   NOT NULL,
    who          TEXT   NOT NULL,
    opened_ms    BIGINT NOT NULL,
    hold_group   BIGINT,
    custom_order BIGINT REFERENCES custom_order (id),
    CHECK ((kind = 'gift-certificate') = (number IS NOT NULL)),
    CHECK (kind <> 'deposit' OR customer_id IS NOT NULL),
    CHECK ((kind = 'deposit') = (hold_group IS NOT NULL OR custom_order IS NOT NULL)),
    CHECK (hold_group IS NULL OR custom_order IS NULL)
);

-- Only ever added to. The sale is the one that it was sold in or paid for; the line is the one that sold it.
CREATE TABLE account_entry (
    id           BIGINT NOT NULL PRIMARY KEY,
    account_id   BIGINT NOT NULL REFERENCES account (id),
    reason       TEXT   NOT NULL,
    amount       BIGINT NOT NULL CHECK (amount BETWEEN -1000000000000 AND 1000000000000),
    sale_id      BIGINT REFERENCES sale (id),
    sale_line_id BIGINT REFERENCES sale_line (id),
    refund_id    BIGINT REFERENCES refund (id),
    note         TEXT   NOT NULL,
    who          TEXT   NOT NULL,
    at_ms        BIGINT NOT NULL,
    CHECK (reason NOT IN ('sold', 'refund', 'brought-in') OR amount > 0),
    CHECK (reason NOT IN ('spent', 'returned', 'written-off', 'forfeited') OR amount < 0),
    CHECK ((reason IN ('sold', 'spent', 'voided')) = (sale_id IS NOT NULL)),
    CHECK ((reason IN ('refund', 'returned')) = (refund_id IS NOT NULL)),
    CHECK (reason <> 'sold' OR sale_line_id IS NOT NULL)
);
CREATE INDEX account_entry_account ON account_entry (account_id);
CREATE INDEX account_customer ON account (customer_id) WHERE customer_id IS NOT NULL;
CREATE INDEX account_left ON account (id) WHERE balance > 0;
CREATE INDEX account_hold ON account (hold_group) WHERE hold_group IS NOT NULL;
CREATE INDEX account_custom_order ON account (custom_order) WHERE custom_order IS NOT NULL;
CREATE INDEX account_deposits ON account (id) WHERE kind = 'deposit';
CREATE INDEX account_certificates ON account (id) WHERE kind = 'gift-certificate';
CREATE INDEX account_entry_sale ON account_entry (sale_id) WHERE sale_id IS NOT NULL;
CREATE INDEX account_entry_refund ON account_entry (refund_id) WHERE refund_id IS NOT NULL;
CREATE INDEX account_entry_line ON account_entry (sale_line_id) WHERE sale_line_id IS NOT NULL;
CREATE INDEX account_entry_forfeited ON account_entry (at_ms) WHERE reason = 'forfeited';
CREATE UNIQUE INDEX account_entry_sold ON account_entry (sale_line_id) WHERE reason = 'sold';
