-- What one day of a channel may come to is refused in words before these ranges are reached, and the ranges keep the
-- sum of nine thousand full days below 2^63 (weight is summed in two halves). One amount has a limit of its own.
DROP INDEX day_total_month;
ALTER TABLE day_total RENAME TO day_total_before;
CREATE TABLE day_total (
    day       BIGINT NOT NULL,
    channel   TEXT   NOT NULL REFERENCES channel (code),
    month     BIGINT NOT NULL,
    sales     BIGINT NOT NULL,
    units     BIGINT NOT NULL,
    weight    BIGINT NOT NULL CHECK (weight BETWEEN -4000000000000000000 AND 4000000000000000000),
    gross     BIGINT NOT NULL CHECK (gross BETWEEN -1000000000000000 AND 1000000000000000),
    discounts BIGINT NOT NULL CHECK (discounts BETWEEN -1000000000000000 AND 1000000000000000),
    refunds   BIGINT NOT NULL CHECK (refunds BETWEEN -1000000000000000 AND 1000000000000000),
    shipping  BIGINT NOT NULL CHECK (shipping BETWEEN -1000000000000000 AND 1000000000000000),
    tax       BIGINT NOT NULL CHECK (tax BETWEEN -1000000000000000 AND 1000000000000000),
    fees      BIGINT NOT NULL CHECK (fees BETWEEN -1000000000000000 AND 1000000000000000),
    postage   BIGINT NOT NULL CHECK (postage BETWEEN -1000000000000000 AND 1000000000000000),
    cost      BIGINT NOT NULL CHECK (cost BETWEEN -1000000000000000 AND 1000000000000000),
    uncosted  BIGINT NOT NULL,
    rounding  BIGINT NOT NULL CHECK (rounding BETWEEN -1000000000000000 AND 1000000000000000),
    PRIMARY KEY (day, channel)
);
INSERT INTO day_total (day, channel, month, sales, units, weight, gross, discounts, refunds, shipping, tax, fees,
    postage, cost, uncosted, rounding)
SELECT day, channel, month, sales, units, weight, gross, discounts, refunds, shipping, tax, fees, postage, cost,
    uncosted, rounding FROM day_total_before;
DROP TABLE day_total_before;
CREATE INDEX day_total_month ON day_total (month);

-- Foreign keys that rows are found by.
CREATE INDEX owed_sale ON owed (sale_id);
CREATE INDEX order_line_hold ON order_line (hold_id) WHERE hold_id IS NOT NULL;
CREATE INDEX order_line_sale_line ON order_line (sale_line_id) WHERE sale_line_id IS NOT NULL;
