-- Live connections. Their configuration is kept as text, so that every process reads the same; it names
-- secrets and never holds one. Connection 1 is the files' and stays as it is.
ALTER TABLE connection ADD COLUMN text TEXT NOT NULL DEFAULT '';
ALTER TABLE connection ADD COLUMN revision BIGINT NOT NULL DEFAULT 1 CHECK (revision >= 1);
ALTER TABLE connection ADD COLUMN new_pieces TEXT NOT NULL DEFAULT 'list' CHECK (new_pieces IN ('list', 'wait'));
ALTER TABLE connection ADD COLUMN ended_ms BIGINT;

-- What the other shop last called its state of the listing (RFC 9110, 8.8.3).
ALTER TABLE listing ADD COLUMN etag TEXT NOT NULL DEFAULT '';

-- Messages that tell of something gone go first; since when one waits is the connection's lag.
ALTER TABLE outbox ADD COLUMN rank BIGINT NOT NULL DEFAULT 1 CHECK (rank IN (0, 1));
ALTER TABLE outbox ADD COLUMN at_ms BIGINT NOT NULL DEFAULT 0;
CREATE INDEX outbox_live ON outbox (connection_id, rank, item_id) WHERE state = 'waiting' AND connection_id > 1;

-- A sent message says nothing more once its item has moved on.
DELETE FROM outbox WHERE state = 'sent' AND revision < (SELECT i.revision FROM item i WHERE i.id = outbox.item_id);

-- How a live connection does.
CREATE TABLE connection_state (
    connection_id BIGINT NOT NULL PRIMARY KEY REFERENCES connection (id),
    saved_ms      BIGINT NOT NULL,
    filled_id     BIGINT NOT NULL,
    fill_due_ms   BIGINT NOT NULL,
    sent          BIGINT NOT NULL CHECK (sent >= 0),
    refused       BIGINT NOT NULL CHECK (refused >= 0),
    contact_ms    BIGINT,
    quiet_ms      BIGINT NOT NULL,
    trouble       TEXT   NOT NULL,
    trouble_ms    BIGINT
);

-- The one message of an item that is under way, waits for another try, or is parked at a revision. A row
-- also says that the item was put on the connection.
CREATE TABLE dispatch (
    connection_id   BIGINT NOT NULL REFERENCES connection (id),
    item_id         BIGINT NOT NULL REFERENCES item (id),
    due_ms          BIGINT NOT NULL,
    tries           BIGINT NOT NULL CHECK (tries >= 0),
    holder          BIGINT NOT NULL,
    lease_ms        BIGINT NOT NULL,
    parked_revision BIGINT NOT NULL CHECK (parked_revision >= 0),
    parked_ms       BIGINT NOT NULL,
    words           TEXT   NOT NULL,
    PRIMARY KEY (connection_id, item_id),
    CHECK ((holder = 0) = (lease_ms = 0))
);
CREATE INDEX dispatch_item ON dispatch (item_id);
CREATE INDEX dispatch_parked ON dispatch (connection_id, parked_ms) WHERE parked_revision > 0;

-- How far orders or listings were fetched, and who fetches them.
CREATE TABLE pull (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    what          TEXT   NOT NULL CHECK (what IN ('orders', 'listings')),
    place         TEXT   NOT NULL,
    since_ms      BIGINT,
    etag          TEXT   NOT NULL,
    fails         BIGINT NOT NULL CHECK (fails >= 0),
    due_ms        BIGINT NOT NULL,
    holder        BIGINT NOT NULL,
    lease_ms      BIGINT NOT NULL,
    words         TEXT   NOT NULL,
    PRIMARY KEY (connection_id, what),
    CHECK ((holder = 0) = (lease_ms = 0))
);

-- Hooks that were taken, by the hash of their name, so that none is taken twice.
CREATE TABLE hook_seen (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    message       TEXT   NOT NULL,
    at_ms         BIGINT NOT NULL,
    PRIMARY KEY (connection_id, message)
);
CREATE INDEX hook_seen_at ON hook_seen (at_ms);

-- Orders that could not be taken yet, as they came.
CREATE TABLE kept_order (
    id            BIGINT NOT NULL PRIMARY KEY,
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    number        TEXT   NOT NULL,
    raw_hash      TEXT   NOT NULL,
    raw           TEXT   NOT NULL,
    words         TEXT   NOT NULL,
    tries         BIGINT NOT NULL CHECK (tries >= 0),
    due_ms        BIGINT NOT NULL,
    holder        BIGINT NOT NULL,
    lease_ms      BIGINT NOT NULL,
    kept_ms       BIGINT NOT NULL,
    UNIQUE (connection_id, number, raw_hash),
    CHECK ((holder = 0) = (lease_ms = 0))
);

-- Where the other shop's listing says something else than ours, and a person is asked.
CREATE TABLE drift (
    id            BIGINT NOT NULL PRIMARY KEY,
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    sku           TEXT   NOT NULL,
    item_id       BIGINT REFERENCES item (id),
    field         TEXT   NOT NULL,
    ours          TEXT   NOT NULL,
    theirs        TEXT   NOT NULL,
    state         TEXT   NOT NULL CHECK (state IN ('open', 'left')),
    run           BIGINT NOT NULL,
    seen_ms       BIGINT NOT NULL,
    UNIQUE (connection_id, sku, field)
);
