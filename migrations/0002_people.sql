-- People: who may sign in and from where, the tokens of programs, and the activity log. Of a secret that is compared
-- (password, PIN, cookie) only a hash stands here: a copy of the database opens nothing. The key of a second factor is
-- needed to compute with, so it stands as it is, and is in no backup.

CREATE TABLE api_token (
    jti      TEXT   NOT NULL PRIMARY KEY,
    name     TEXT   NOT NULL,
    folded   TEXT   NOT NULL,
    role     TEXT   NOT NULL,
    made_by  TEXT   NOT NULL,
    made_ms  BIGINT NOT NULL,
    until_ms BIGINT NOT NULL,
    ended_ms BIGINT
);
CREATE UNIQUE INDEX api_token_name ON api_token (folded) WHERE ended_ms IS NULL;

-- Who changed what. Rows are only ever added.
CREATE TABLE activity (
    id     BIGINT NOT NULL PRIMARY KEY,
    at_ms  BIGINT NOT NULL,
    who    TEXT   NOT NULL,
    act    TEXT   NOT NULL,
    what   TEXT   NOT NULL,
    detail TEXT   NOT NULL,
    -- The row of `person_data` that it is about, for customers.
    customer_id BIGINT
);
CREATE INDEX activity_customer ON activity (customer_id) WHERE customer_id IS NOT NULL;

-- What a caller may do of what their role lets them do, where the owner has said it: a role's rows, and a
-- token's own, which go before them. A limit without a row is the program's default.
CREATE TABLE caller_limit (
    caller TEXT   NOT NULL,
    name   TEXT   NOT NULL,
    value  TEXT   NOT NULL,
    PRIMARY KEY (caller, name)
);

-- What one person let another do above their limits. Each is used once, within a minute, for the request and in
-- the session that it names. Both names are kept.
CREATE TABLE approval (
    id           BIGINT NOT NULL PRIMARY KEY,
    act          TEXT   NOT NULL,
    asked        TEXT   NOT NULL,
    request_hash TEXT   NOT NULL,
    session_id   BIGINT NOT NULL,
    asker        TEXT   NOT NULL,
    approver     TEXT   NOT NULL,
    at_ms        BIGINT NOT NULL,
    expires_ms   BIGINT NOT NULL,
    used_ms      BIGINT,
    CHECK (asker <> approver),
    CHECK (expires_ms = at_ms + 60000),
    CHECK (used_ms IS NULL OR (used_ms >= at_ms AND used_ms < expires_ms))
);

CREATE TABLE device (
    id          BIGINT NOT NULL PRIMARY KEY,
    name        TEXT   NOT NULL,
    folded      TEXT   NOT NULL,
    secret_hash TEXT   NOT NULL UNIQUE,
    made_ms     BIGINT NOT NULL,
    ended_ms    BIGINT
);
CREATE UNIQUE INDEX device_name ON device (folded) WHERE ended_ms IS NULL;

CREATE TABLE person (
    id           BIGINT NOT NULL PRIMARY KEY,
    name         TEXT   NOT NULL,
    folded       TEXT   NOT NULL,
    role         TEXT   NOT NULL,
    password     TEXT   NOT NULL,
    pin          TEXT,
    made_ms      BIGINT NOT NULL,
    ended_ms     BIGINT,
    pin_failures BIGINT NOT NULL DEFAULT 0 CHECK (pin_failures BETWEEN 0 AND 1000000000)
);
-- A name is one person's while they are here; another may have it later.
CREATE UNIQUE INDEX person_name ON person (folded) WHERE ended_ms IS NULL;

-- Browsers by the hash of their cookie: tries from one have a count of their own.
CREATE TABLE known_browser (
    secret_hash TEXT   NOT NULL,
    person_id   BIGINT NOT NULL REFERENCES person (id),
    seen_ms     BIGINT NOT NULL,
    PRIMARY KEY (secret_hash, person_id)
);
CREATE INDEX known_browser_person ON known_browser (person_id, seen_ms);

-- A row is deleted when its code is used.
CREATE TABLE recovery_code (
    hash      TEXT   NOT NULL PRIMARY KEY,
    person_id BIGINT NOT NULL REFERENCES person (id)
);
CREATE INDEX recovery_code_person ON recovery_code (person_id);

-- `offered` until its first code has shown that the app has it. A code of `last_step` or before was used.
CREATE TABLE second_factor (
    person_id BIGINT NOT NULL PRIMARY KEY REFERENCES person (id),
    secret    TEXT   NOT NULL,
    state     TEXT   NOT NULL,
    last_step BIGINT NOT NULL,
    failures  BIGINT NOT NULL CHECK (failures BETWEEN 0 AND 1000000000),
    made_ms   BIGINT NOT NULL
);

-- A row is deleted when its session ends. `confirmed_ms`: when its person last gave the password.
CREATE TABLE session (
    token_hash   TEXT   NOT NULL PRIMARY KEY,
    person_id    BIGINT NOT NULL REFERENCES person (id),
    device_id    BIGINT REFERENCES device (id),
    form_token   TEXT   NOT NULL,
    by_pin       BIGINT NOT NULL CHECK (by_pin IN (0, 1)),
    made_ms      BIGINT NOT NULL,
    seen_ms      BIGINT NOT NULL,
    until_ms     BIGINT NOT NULL,
    id           BIGINT NOT NULL,
    confirmed_ms BIGINT NOT NULL,
    address      TEXT   NOT NULL,
    browser      TEXT   NOT NULL,
    CHECK (by_pin = 0 OR device_id IS NOT NULL)
);
CREATE INDEX session_person ON session (person_id);
CREATE INDEX session_until ON session (until_ms);
CREATE UNIQUE INDEX session_id ON session (id);

-- Between the right password and the code of the second factor: minutes.
CREATE TABLE sign_in_step (
    token_hash TEXT   NOT NULL PRIMARY KEY,
    person_id  BIGINT NOT NULL REFERENCES person (id),
    checked    TEXT   NOT NULL,
    until_ms   BIGINT NOT NULL
);
CREATE INDEX sign_in_step_person ON sign_in_step (person_id);

-- Failed tries to sign in: by account in one network, browser or device; by account anywhere; by network; by device.
-- The account stands as a hash: now and then somebody
-- types the password into the field of the name.
CREATE TABLE sign_in_try (
    kind     TEXT   NOT NULL,
    what     TEXT   NOT NULL,
    failures BIGINT NOT NULL CHECK (failures BETWEEN 0 AND 1000000000),
    until_ms BIGINT NOT NULL,
    last_ms  BIGINT NOT NULL,
    PRIMARY KEY (kind, what)
);
CREATE INDEX sign_in_try_last ON sign_in_try (last_ms);
