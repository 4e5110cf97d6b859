-- Customers. Whatever identifies a person outside the shop stands in `person_data` and nowhere else: sales, tenders, open
-- balances, holds, orders and the activity log only refer to its rows, so a person is erased in one place and everything
-- that is only ever added to stays as it is.

-- A customer on file, a name typed for a hold or a sale on account, or the buyer of an online order. `folded` is what a
-- search looks at, `email_key` the e-mail address without case. An erased row is empty and stays so.
CREATE TABLE person_data (
    id        BIGINT NOT NULL PRIMARY KEY,
    name      TEXT   NOT NULL,
    email     TEXT   NOT NULL,
    phone     TEXT   NOT NULL,
    note      TEXT   NOT NULL,
    folded    TEXT   NOT NULL,
    email_key TEXT   NOT NULL,
    made_ms   BIGINT NOT NULL,
    erased_ms BIGINT,
    CHECK (erased_ms IS NULL OR (name = '' AND email = '' AND phone = '' AND note = '' AND folded = '' AND email_key = ''))
);
CREATE INDEX person_data_email ON person_data (email_key) WHERE email_key <> '';
CREATE INDEX person_data_folded ON person_data (folded) WHERE folded <> '';

-- Customers on file, and their terms. The discount is in hundredths of a percent. `kept_id`: after the customer was
-- erased, the name that has to be kept with the certificate until `keep_until`.
CREATE TABLE customer (
    id          BIGINT NOT NULL PRIMARY KEY REFERENCES person_data (id),
    wholesale   BIGINT NOT NULL CHECK (wholesale IN (0, 1)),
    certificate TEXT   NOT NULL,
    keep_until  BIGINT,
    discount    BIGINT CHECK (discount BETWEEN 1 AND 10000),
    revision    BIGINT NOT NULL CHECK (revision >= 1),
    made_by     TEXT   NOT NULL,
    changed_ms  BIGINT NOT NULL,
    kept_id     BIGINT UNIQUE REFERENCES person_data (id),
    CHECK ((certificate = '') = (keep_until IS NULL))
);
CREATE INDEX customer_kept ON customer (keep_until) WHERE kept_id IS NOT NULL;
