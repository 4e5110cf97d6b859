-- How often in a row a listing was told anew by a comparison and was not as it should be the next time.
ALTER TABLE listing ADD COLUMN mended BIGINT NOT NULL DEFAULT 0 CHECK (mended BETWEEN 0 AND 1000000);

-- What is wrong with a connection at present, each kind with its own time, until it is cured.
CREATE TABLE connection_trouble (
    connection_id BIGINT NOT NULL REFERENCES connection (id),
    what          TEXT   NOT NULL CHECK (what IN ('connection', 'messages', 'orders', 'listings', 'hooks')),
    words         TEXT   NOT NULL,
    at_ms         BIGINT NOT NULL,
    PRIMARY KEY (connection_id, what)
);

-- Hooks that were not believed, since the connection was made.
ALTER TABLE connection_state ADD COLUMN unsigned BIGINT NOT NULL DEFAULT 0 CHECK (unsigned >= 0);

-- The field that an order was kept for, as far as one is to blame.
ALTER TABLE kept_order ADD COLUMN field TEXT NOT NULL DEFAULT '';
