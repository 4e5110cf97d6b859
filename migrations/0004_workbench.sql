-- What went into a piece beside its yarn, and its photographs.

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

-- The latest pieces of a style, for what they usually weigh.
CREATE INDEX item_latest_of_style ON item (style_id, id) WHERE kind = 'piece';
