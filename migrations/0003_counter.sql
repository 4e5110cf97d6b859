-- The counter: slips that are being filled (baskets), and what goes through the drawer.

-- A slip is kept here and not in a browser, so that a connection that drops never loses it. Its
-- content is JSON text that the ledger checks; the row's revision is what a change is based on.
CREATE TABLE basket (
    id         BIGINT NOT NULL PRIMARY KEY,
    channel    TEXT   NOT NULL REFERENCES channel (code),
    revision   BIGINT NOT NULL CHECK (revision >= 1),
    state      TEXT   NOT NULL CHECK (state IN ('open', 'paid', 'left')),
    content    TEXT   NOT NULL,
    hold_group BIGINT,
    sale_id    BIGINT UNIQUE REFERENCES sale (id),
    who        TEXT   NOT NULL,
    made_ms    BIGINT NOT NULL,
    changed_ms BIGINT NOT NULL,
    CHECK ((state = 'paid') = (sale_id IS NOT NULL))
);
CREATE INDEX basket_open ON basket (changed_ms) WHERE state = 'open';

-- From counting the float in to counting the cash out. One is open at a time on a channel; expected
-- is what its entries come to, and the row's own lock keeps a sale from slipping past its close.
CREATE TABLE drawer_turn (
    id         BIGINT NOT NULL PRIMARY KEY,
    channel    TEXT   NOT NULL REFERENCES channel (code),
    opened_ms  BIGINT NOT NULL,
    opened_by  TEXT   NOT NULL,
    float_in   BIGINT NOT NULL CHECK (float_in BETWEEN 0 AND 1000000000000),
    expected   BIGINT NOT NULL CHECK (expected BETWEEN -1000000000000 AND 1000000000000),
    closed_ms  BIGINT,
    closed_by  TEXT   NOT NULL,
    counts     TEXT   NOT NULL,
    counted    BIGINT CHECK (counted BETWEEN 0 AND 1000000000000),
    difference BIGINT,
    note       TEXT   NOT NULL,
    CHECK ((closed_ms IS NULL) = (counted IS NULL)),
    CHECK ((closed_ms IS NULL) = (difference IS NULL)),
    CHECK (closed_ms IS NULL OR difference = counted - expected)
);
CREATE UNIQUE INDEX drawer_turn_open ON drawer_turn (channel) WHERE closed_ms IS NULL;

-- Only ever added to.
CREATE TABLE drawer_entry (
    id        BIGINT NOT NULL PRIMARY KEY,
    turn_id   BIGINT NOT NULL REFERENCES drawer_turn (id),
    kind      TEXT   NOT NULL CHECK (kind IN ('float', 'put-in', 'taken-out', 'sale', 'refund', 'payment', 'void')),
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

-- What can be sold now, the latest first: a shop's past pieces outnumber it many times.
CREATE INDEX item_free ON item (id) WHERE on_hand > held;
