-- What the latest accepted state of a live order says of each item: `check` compares the books with it, and a
-- later state is booked by its difference from it. Nothing of an order that is over.
CREATE TABLE order_said (
    order_id BIGINT NOT NULL REFERENCES customer_order (id),
    item_id  BIGINT NOT NULL REFERENCES item (id),
    steps    BIGINT NOT NULL CHECK (steps BETWEEN 1 AND 1000000000000),
    amount   BIGINT NOT NULL CHECK (amount BETWEEN 0 AND 1000000000000),
    discount BIGINT NOT NULL CHECK (discount BETWEEN 0 AND 1000000000000),
    tax      BIGINT NOT NULL CHECK (tax BETWEEN 0 AND 1000000000000),
    PRIMARY KEY (order_id, item_id)
);

-- Orders that were taken in before this step: their lines as they stand. What had been given back of them counts
-- as given back by hand.
INSERT INTO order_said (order_id, item_id, steps, amount, discount, tax)
SELECT l.order_id, l.item_id, SUM(l.steps), SUM(l.amount), SUM(l.discount), SUM(l.tax)
FROM order_line l JOIN customer_order o ON o.id = l.order_id
WHERE l.item_id IS NOT NULL AND o.past = 0 AND o.status NOT IN ('OrderCancelled', 'OrderReturned')
    AND (l.state <> 'undone' OR EXISTS (SELECT 1 FROM line_choice c WHERE c.line_id = l.id AND c.choice = 'refunded'))
GROUP BY l.order_id, l.item_id;

-- The item that a line was ordered as, where a person chose another one to be sold for it.
ALTER TABLE order_line ADD COLUMN for_item_id BIGINT REFERENCES item (id);

-- Refunds that a later state of an order made. Only ever added to.
CREATE TABLE order_change (
    refund_id BIGINT NOT NULL PRIMARY KEY REFERENCES refund (id),
    order_id  BIGINT NOT NULL REFERENCES customer_order (id)
);
CREATE INDEX order_change_order ON order_change (order_id);

-- What a later state made of the fee that the channel keeps. Only ever added to.
CREATE TABLE order_fee (
    id       BIGINT NOT NULL PRIMARY KEY,
    order_id BIGINT NOT NULL REFERENCES customer_order (id),
    channel  TEXT   NOT NULL REFERENCES channel (code),
    amount   BIGINT NOT NULL CHECK (amount BETWEEN -1000000000000 AND 1000000000000 AND amount <> 0),
    at_ms    BIGINT NOT NULL,
    who      TEXT   NOT NULL
);
CREATE INDEX order_fee_order ON order_fee (order_id);
