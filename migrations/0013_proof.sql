-- Proving who it is: when a session's person last gave the password, the sessions that a person sees
-- and ends, PINs that guessing has used up, the second factor, and the browsers that a person was signed in
-- with before. Of secrets that are compared, only hashes stand here; the key of a second factor is needed to compute
-- with, so it stands as it is, and is in no backup.

-- Whoever is signed in signs in anew: nobody knows when those sessions last proved anything.
DELETE FROM session;
ALTER TABLE session ADD COLUMN id BIGINT NOT NULL DEFAULT 0;
ALTER TABLE session ADD COLUMN confirmed_ms BIGINT NOT NULL DEFAULT 0;
ALTER TABLE session ADD COLUMN address TEXT NOT NULL DEFAULT '';
ALTER TABLE session ADD COLUMN browser TEXT NOT NULL DEFAULT '';
CREATE UNIQUE INDEX session_id ON session (id);

-- Wrong PINs since the last right PIN or password.
ALTER TABLE person ADD COLUMN pin_failures BIGINT NOT NULL DEFAULT 0 CHECK (pin_failures BETWEEN 0 AND 1000000000);

-- Failures by account in one network, browser or device; by account wherever; by network; by device.
DROP TABLE sign_in_try;
CREATE TABLE sign_in_try (
    kind     TEXT   NOT NULL CHECK (kind IN ('device', 'address', 'everywhere', 'account')),
    what     TEXT   NOT NULL,
    failures BIGINT NOT NULL CHECK (failures BETWEEN 0 AND 1000000000),
    until_ms BIGINT NOT NULL,
    last_ms  BIGINT NOT NULL,
    PRIMARY KEY (kind, what)
);
CREATE INDEX sign_in_try_last ON sign_in_try (last_ms);

-- `offered` until its first code has shown that the app has it. A code of `last_step` or before was used.
CREATE TABLE second_factor (
    person_id BIGINT NOT NULL PRIMARY KEY REFERENCES person (id),
    secret    TEXT   NOT NULL,
    state     TEXT   NOT NULL CHECK (state IN ('offered', 'on')),
    last_step BIGINT NOT NULL,
    failures  BIGINT NOT NULL CHECK (failures BETWEEN 0 AND 1000000000),
    made_ms   BIGINT NOT NULL
);

-- A row is taken away when its code is used.
CREATE TABLE recovery_code (
    hash      TEXT   NOT NULL PRIMARY KEY,
    person_id BIGINT NOT NULL REFERENCES person (id)
);
CREATE INDEX recovery_code_person ON recovery_code (person_id);

-- Between the right password and the code of the second factor: minutes.
CREATE TABLE sign_in_step (
    token_hash TEXT   NOT NULL PRIMARY KEY,
    person_id  BIGINT NOT NULL REFERENCES person (id),
    checked    TEXT   NOT NULL,
    until_ms   BIGINT NOT NULL
);
CREATE INDEX sign_in_step_person ON sign_in_step (person_id);

-- Browsers by the hash of their cookie: tries from one have a count of their own.
CREATE TABLE known_browser (
    secret_hash TEXT   NOT NULL,
    person_id   BIGINT NOT NULL REFERENCES person (id),
    seen_ms     BIGINT NOT NULL,
    PRIMARY KEY (secret_hash, person_id)
);
CREATE INDEX known_browser_person ON known_browser (person_id, seen_ms);
