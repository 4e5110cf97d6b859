-- Online: listings, what has changed of them, files for other programs, and connections to other shops.

-- Connection 1 is that of files. A live one's configuration is kept as text, so that every process reads the same; it
-- names secrets and never holds one.
CREATE TABLE connection (
    id           BIGINT NOT NULL PRIMARY KEY,
    name         TEXT   NOT NULL UNIQUE,
    channel      TEXT   NOT NULL REFERENCES channel (code),
    text         TEXT   NOT NULL DEFAULT '',
    revision     BIGINT NOT NULL DEFAULT 1 CHECK (revision >= 1),
    new_pieces   TEXT   NOT NULL DEFAULT 'list',
    ended_ms     BIGINT,
    takes_orders BIGINT NOT NULL DEFAULT 0 CHECK (takes_orders IN (0, 1))
);
INSERT INTO connection (id, name, channel) VALUES (1, 'feed', 'online');
-- Orders of a channel are known by their numbers, so one shop alone may give them.
CREATE UNIQUE INDEX connection_orders ON connection (channel) WHERE takes_orders = 1 AND ended_ms IS NULL;

-- How a live connection is doing. `clock_ms` is the latest moment that was seen while it was looked at: a clock before
-- it was set back. `quiet_asked`: whether the other shop asked for the pause itself.
CREATE TABLE connection_state (
    connection_id BIGINT NOT NULL PRIMARY KEY REFERENCES connection (id),
    saved_ms      BIGINT NOT NULL,
    filled_id     BIGINT NOT NULL,
    fill_due_ms   BIGINT NOT NULL,
    sent          BIGINT NOT NULL CHECK (sent >= 0),
    refused       BIGINT NOT NULL CHECK (refused >= 0),
    contact_ms    BIGINT,
    quiet_ms      BIGINT NOT NULL,
    quiet_asked   BIGINT NOT NULL DEFAULT 0 CHECK (quiet_asked IN (0, 1)),
    clock_ms      BIGINT NOT NULL DEFAULT 0,
    unsigned      BIGINT NOT NULL DEFAULT 0 CHECK (unsigned >= 0)
);

-- What is wrong with a connection at present, each kind with its own time, until it is cured.
CREATE TABLE connection_problem (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    what          TEXT   NOT NULL,
    message       TEXT   NOT NULL,
    at_ms         BIGINT NOT NULL,
    PRIMARY KEY (connection_id, what)
);

-- The one message of an item that is under way, waits for another try, or was given up at a revision. A row
-- also says that the item was put on the connection.
CREATE TABLE delivery (
    connection_id        BIGINT NOT NULL REFERENCES connection (id),
    item_id              BIGINT NOT NULL REFERENCES item (id),
    due_ms               BIGINT NOT NULL,
    tries                BIGINT NOT NULL CHECK (tries >= 0),
    holder               BIGINT NOT NULL,
    lease_ms             BIGINT NOT NULL,
    dead_letter_revision BIGINT NOT NULL CHECK (dead_letter_revision >= 0),
    dead_letter_ms       BIGINT NOT NULL,
    message              TEXT   NOT NULL,
    clear_ms             BIGINT NOT NULL DEFAULT 0,
    PRIMARY KEY (connection_id, item_id),
    CHECK ((holder = 0) = (lease_ms = 0))
);
CREATE INDEX delivery_item ON delivery (item_id);
CREATE INDEX delivery_dead_letter ON delivery (connection_id, dead_letter_ms) WHERE dead_letter_revision > 0;

-- Where the other shop's listing says something else than ours, and a person is asked.
CREATE TABLE difference (
    id            BIGINT NOT NULL PRIMARY KEY,
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    sku           TEXT   NOT NULL,
    item_id       BIGINT REFERENCES item (id),
    field         TEXT   NOT NULL,
    ours          TEXT   NOT NULL,
    theirs        TEXT   NOT NULL,
    state         TEXT   NOT NULL,
    run           BIGINT NOT NULL,
    seen_ms       BIGINT NOT NULL,
    UNIQUE (connection_id, sku, field)
);

CREATE TABLE feed_run (
    id            BIGINT NOT NULL PRIMARY KEY,
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    at_ms         BIGINT NOT NULL,
    kind          TEXT   NOT NULL,
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

-- Feeds that failed, until somebody has seen it.
CREATE TABLE feed_problem (
    id      BIGINT NOT NULL PRIMARY KEY,
    at_ms   BIGINT NOT NULL,
    file    TEXT   NOT NULL,
    message TEXT   NOT NULL,
    seen    BIGINT NOT NULL CHECK (seen IN (0, 1))
);
CREATE INDEX feed_problem_unseen ON feed_problem (id) WHERE seen = 0;

-- Hooks that were accepted, by the hash of their name, so that none is taken twice.
CREATE TABLE hook_seen (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    message       TEXT   NOT NULL,
    at_ms         BIGINT NOT NULL,
    PRIMARY KEY (connection_id, message)
);
CREATE INDEX hook_seen_at ON hook_seen (at_ms);

-- Orders that could not be taken in yet, as they came.
CREATE TABLE deferred_order (
    id            BIGINT NOT NULL PRIMARY KEY,
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    number        TEXT   NOT NULL,
    raw_hash      TEXT   NOT NULL,
    raw           TEXT   NOT NULL,
    message       TEXT   NOT NULL,
    tries         BIGINT NOT NULL CHECK (tries >= 0),
    due_ms        BIGINT NOT NULL,
    holder        BIGINT NOT NULL,
    lease_ms      BIGINT NOT NULL,
    deferred_ms   BIGINT NOT NULL,
    field         TEXT   NOT NULL DEFAULT '',
    UNIQUE (connection_id, number, raw_hash),
    CHECK ((holder = 0) = (lease_ms = 0))
);

-- Layouts that are kept in the shop and edited on its pages.
CREATE TABLE layout (
    name       TEXT   NOT NULL PRIMARY KEY,
    text       TEXT   NOT NULL,
    revision   BIGINT NOT NULL CHECK (revision >= 1),
    who        TEXT   NOT NULL,
    changed_ms BIGINT NOT NULL
);

-- What a connection's shop was last told of an item. `etag` is what that shop calls its state (RFC 9110, 8.8.3);
-- `mended` counts how often in a row a comparison found it different.
CREATE TABLE listing (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    item_id       BIGINT NOT NULL REFERENCES item (id),
    state         TEXT   NOT NULL,
    revision      BIGINT NOT NULL,
    content_hash  TEXT   NOT NULL,
    other_id      TEXT   NOT NULL,
    told_ms       BIGINT NOT NULL,
    etag          TEXT   NOT NULL DEFAULT '',
    mended        BIGINT NOT NULL DEFAULT 0 CHECK (mended BETWEEN 0 AND 1000000),
    PRIMARY KEY (connection_id, item_id)
);
-- What an online shop is known to offer, by feed or by connection: the one definition of “listed”.
CREATE VIEW online_offer AS
    SELECT l.item_id, l.connection_id, c.name, l.told_ms FROM listing l JOIN connection c ON c.id = l.connection_id
    WHERE l.state = 'listed' AND c.ended_ms IS NULL;
CREATE INDEX listing_item ON listing (item_id);
CREATE INDEX listing_state ON listing (connection_id, state, item_id);
CREATE INDEX listing_other ON listing (connection_id, other_id) WHERE other_id <> '';

-- The templates that listing texts are written from.
CREATE TABLE listing_text (
    name       TEXT   NOT NULL PRIMARY KEY,
    text       TEXT   NOT NULL,
    who        TEXT   NOT NULL,
    changed_ms BIGINT NOT NULL
);

-- What waits to be sent: a row is there until it was sent, and work is found by its rows, never by a high-water
-- mark. What is gone goes first (`rank` 0).
CREATE TABLE outbox (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    item_id       BIGINT NOT NULL REFERENCES item (id),
    revision      BIGINT NOT NULL,
    rank          BIGINT NOT NULL DEFAULT 1 CHECK (rank IN (0, 1)),
    at_ms         BIGINT NOT NULL DEFAULT 0,
    PRIMARY KEY (connection_id, item_id, revision)
);
CREATE INDEX outbox_live ON outbox (connection_id, rank, item_id) WHERE connection_id > 1;

-- How far orders or listings were fetched, and who fetches them.
CREATE TABLE pull (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    what          TEXT   NOT NULL,
    place         TEXT   NOT NULL,
    since_ms      BIGINT,
    etag          TEXT   NOT NULL,
    fails         BIGINT NOT NULL CHECK (fails >= 0),
    due_ms        BIGINT NOT NULL,
    holder        BIGINT NOT NULL,
    lease_ms      BIGINT NOT NULL,
    message       TEXT   NOT NULL,
    reread_ms     BIGINT,
    PRIMARY KEY (connection_id, what),
    CHECK ((holder = 0) = (lease_ms = 0))
);
