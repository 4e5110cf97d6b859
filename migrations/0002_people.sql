-- Who may enter: people, the devices that the owner has enrolled, who is signed in, the tokens of
-- programs, tries that failed, and the list of who changed what. Of a secret (password, PIN, cookie)
-- only a hash stands here: a copy of the database opens nothing.

CREATE TABLE person (
    id       BIGINT NOT NULL PRIMARY KEY,
    name     TEXT   NOT NULL,
    folded   TEXT   NOT NULL,
    role     TEXT   NOT NULL CHECK (role IN ('counter', 'maker', 'owner')),
    password TEXT   NOT NULL,
    pin      TEXT,
    made_ms  BIGINT NOT NULL,
    ended_ms BIGINT
);
-- A name is one person's while they are here; another may have it later.
CREATE UNIQUE INDEX person_name ON person (folded) WHERE ended_ms IS NULL;

CREATE TABLE device (
    id          BIGINT NOT NULL PRIMARY KEY,
    name        TEXT   NOT NULL,
    folded      TEXT   NOT NULL,
    secret_hash TEXT   NOT NULL UNIQUE,
    made_ms     BIGINT NOT NULL,
    ended_ms    BIGINT
);
CREATE UNIQUE INDEX device_name ON device (folded) WHERE ended_ms IS NULL;

-- A row is taken away when its session ends.
CREATE TABLE session (
    token_hash TEXT   NOT NULL PRIMARY KEY,
    person_id  BIGINT NOT NULL REFERENCES person (id),
    device_id  BIGINT REFERENCES device (id),
    form_token TEXT   NOT NULL,
    by_pin     BIGINT NOT NULL CHECK (by_pin IN (0, 1)),
    made_ms    BIGINT NOT NULL,
    seen_ms    BIGINT NOT NULL,
    until_ms   BIGINT NOT NULL,
    CHECK (by_pin = 0 OR device_id IS NOT NULL)
);
CREATE INDEX session_person ON session (person_id);
CREATE INDEX session_until ON session (until_ms);

CREATE TABLE api_token (
    jti      TEXT   NOT NULL PRIMARY KEY,
    name     TEXT   NOT NULL,
    folded   TEXT   NOT NULL,
    role     TEXT   NOT NULL CHECK (role IN ('counter', 'maker', 'owner')),
    made_by  TEXT   NOT NULL,
    made_ms  BIGINT NOT NULL,
    until_ms BIGINT NOT NULL,
    ended_ms BIGINT
);
CREATE UNIQUE INDEX api_token_name ON api_token (folded) WHERE ended_ms IS NULL;

-- Failed tries, by account and by address. The account stands as a hash: now and then somebody
-- types the password into the field of the name.
CREATE TABLE sign_in_try (
    kind     TEXT   NOT NULL CHECK (kind IN ('account', 'address')),
    what     TEXT   NOT NULL,
    failures BIGINT NOT NULL CHECK (failures BETWEEN 1 AND 1000000000),
    until_ms BIGINT NOT NULL,
    last_ms  BIGINT NOT NULL,
    PRIMARY KEY (kind, what)
);
CREATE INDEX sign_in_try_last ON sign_in_try (last_ms);

-- Who changed what. Rows are only ever added.
CREATE TABLE audit (
    id     BIGINT NOT NULL PRIMARY KEY,
    at_ms  BIGINT NOT NULL,
    who    TEXT   NOT NULL,
    act    TEXT   NOT NULL,
    what   TEXT   NOT NULL,
    detail TEXT   NOT NULL
);
