-- A refund may give back money alone: the customer keeps the goods, so that its line has no steps and some money.
-- The rows move to a table that allows it, and with them what became of their goods, which refers to them.
CREATE TABLE refund_part (
    id           BIGINT NOT NULL PRIMARY KEY,
    refund_id    BIGINT NOT NULL REFERENCES refund (id),
    sale_line_id BIGINT NOT NULL REFERENCES sale_line (id),
    steps        BIGINT NOT NULL CHECK (steps BETWEEN 0 AND 1000000000),
    units        BIGINT NOT NULL CHECK (units BETWEEN 0 AND 1000000000),
    amount       BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount     BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax          BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    cost         BIGINT NOT NULL CHECK (cost BETWEEN 0 AND 1000000000000),
    CHECK (steps > 0 OR (units = 0 AND cost = 0 AND amount - discount + tax > 0))
);
INSERT INTO refund_part (id, refund_id, sale_line_id, steps, units, amount, discount, tax, cost)
SELECT id, refund_id, sale_line_id, steps, units, amount, discount, tax, cost FROM refund_line;
CREATE TABLE came_back_part (
    refund_line_id BIGINT NOT NULL PRIMARY KEY REFERENCES refund_part (id),
    fate           TEXT   NOT NULL CHECK (fate IN ('shelf', 'written-off')),
    at_ms          BIGINT NOT NULL,
    who            TEXT   NOT NULL
);
INSERT INTO came_back_part (refund_line_id, fate, at_ms, who) SELECT refund_line_id, fate, at_ms, who FROM came_back;
DROP TABLE came_back;
DROP TABLE refund_line;
ALTER TABLE refund_part RENAME TO refund_line;
ALTER TABLE came_back_part RENAME TO came_back;
CREATE INDEX refund_line_refund ON refund_line (refund_id);
CREATE INDEX refund_line_sale_line ON refund_line (sale_line_id);
