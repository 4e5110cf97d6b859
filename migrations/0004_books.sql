-- Books: what each day of each channel comes to.

-- The day's totals, kept in the transaction of every entry that they sum (law 3). What a day may come to is refused in
-- words before these ranges are reached; they keep the sum of nine thousand full days below 2^63.
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
CREATE INDEX day_total_month ON day_total (month);
