-- The schema, one file for each room of the ledger, one text for SQLite and PostgreSQL: columns are BIGINT and TEXT only,
-- flags are BIGINT 0/1, identifiers come from the program. Money is in minor units, stock in stock units (pieces, or
-- thousandths of the unit that an item is weighed in), moments in UTC milliseconds. The CHECK ranges keep the sum of a
-- million rows below 2^63. Lists of codes are not repeated here: the program's types write and read them, and `check`
-- names a row that holds another one.
--
-- This file: the store, which every room stands on.

-- The answer that a key was given, kept in the transaction that made it (law 5).
CREATE TABLE idempotency_key (
    scope     TEXT   NOT NULL,
    key       TEXT   NOT NULL,
    body_hash TEXT   NOT NULL,
    answer    TEXT,
    made_ms   BIGINT NOT NULL,
    refused   BIGINT NOT NULL DEFAULT 0 CHECK (refused IN (0, 1)),
    PRIMARY KEY (scope, key)
);
CREATE INDEX idempotency_key_refused ON idempotency_key (made_ms) WHERE refused = 1;

CREATE TABLE channel (
    code TEXT   NOT NULL PRIMARY KEY,
    name TEXT   NOT NULL
);
INSERT INTO channel (code, name) VALUES
    ('store', 'Farm store'), ('online', 'Online shop'), ('market', 'Market stall'), ('wholesale', 'Wholesale');

-- Which process has which node number, so that no two make the same identifier.
CREATE TABLE node_lease (
    node     BIGINT NOT NULL PRIMARY KEY CHECK (node BETWEEN 0 AND 1023),
    holder   TEXT   NOT NULL,
    until_ms BIGINT NOT NULL
);

CREATE TABLE setting (
    name  TEXT   NOT NULL PRIMARY KEY,
    value TEXT   NOT NULL
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
