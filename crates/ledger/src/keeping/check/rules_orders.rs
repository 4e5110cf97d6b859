//! Law 8 for orders and the sales they became.

use super::Law;
use super::rule::Field::{Flag, Id, Money, Number};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::NothingHalfTaken,
        what: "an order names a sale that is not of it",
        record: "order",
        fields: &[Id("order of its sale"), Flag("channel is the sale's"), Flag("past, as its sale")],
        text: "SELECT o.id AS id, o.number AS name, o.id AS e1, COALESCE(s.order_id, 0) AS f1, \
            1 AS e2, CASE WHEN s.channel = o.channel THEN 1 ELSE 0 END AS f2, o.backfilled AS e3, COALESCE(s.backfilled, -1) AS f3 \
            FROM customer_order o LEFT JOIN sale s ON s.id = o.sale_id WHERE o.sale_id IS NOT NULL",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "a sale of an order is not the one that the order names, nor a further one",
        record: "order",
        fields: &[Id("sale"), Flag("on its channel")],
        text: "SELECT o.id AS id, o.number AS name, s.id AS e1, \
            CASE WHEN o.backfilled = 0 AND o.sale_id < s.id THEN s.id ELSE COALESCE(o.sale_id, 0) END AS f1, \
            1 AS e2, CASE WHEN s.channel = o.channel THEN 1 ELSE 0 END AS f2 \
            FROM sale s JOIN customer_order o ON o.id = s.order_id WHERE o.sale_id IS NULL OR o.sale_id <> s.id",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "a line of an order differs from the line of its sale",
        record: "order line",
        fields: &[
            Id("order of its sale"),
            Id("item"),
            Number("quantity"),
            Money("amount"),
            Money("discount"),
            Money("tax"),
        ],
        text: "SELECT n.id AS id, n.code AS name, \
            CASE WHEN n.state = 'filled' THEN n.order_id \
                WHEN n.state = 'undone' AND n.sale_line_id IS NOT NULL THEN n.order_id ELSE 0 END AS e1, \
            COALESCE(s.order_id, 0) AS f1, \
            CASE WHEN l.id IS NULL THEN 0 ELSE COALESCE(n.item_id, 0) END AS e2, COALESCE(l.item_id, 0) AS f2, \
            CASE WHEN l.id IS NULL THEN 0 ELSE n.stock_units END AS e3, COALESCE(l.stock_units, 0) AS f3, \
            CASE WHEN l.id IS NULL THEN 0 ELSE n.amount END AS e4, COALESCE(l.amount, 0) AS f4, \
            CASE WHEN l.id IS NULL THEN 0 ELSE n.discount END AS e5, COALESCE(l.discount, 0) AS f5, \
            CASE WHEN l.id IS NULL THEN 0 ELSE n.tax END AS e6, COALESCE(l.tax, 0) AS f6 \
            FROM order_line n LEFT JOIN sale_line l ON l.id = n.sale_line_id LEFT JOIN sale s ON s.id = l.sale_id",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "lines of an order's sales are not the order's lines",
        record: "order",
        fields: &[Number("lines of the sales")],
        text: "SELECT o.id AS id, o.number AS name, COALESCE(n.lines, 0) AS e1, COALESCE(l.lines, 0) AS f1 \
            FROM customer_order o \
            LEFT JOIN (SELECT order_id, COUNT(DISTINCT sale_line_id) AS lines FROM order_line GROUP BY order_id) n \
                ON n.order_id = o.id \
            LEFT JOIN (SELECT s.order_id, COUNT(*) AS lines FROM sale s JOIN sale_line k ON k.sale_id = s.id \
                WHERE s.order_id IS NOT NULL GROUP BY s.order_id) l ON l.order_id = o.id WHERE o.backfilled = 0",
    },
    // What was refunded by hand, by a refund with a number or outside the books may or may not be
    // included in what the shop says, so the books must lie between both.
    Rule {
        law: Law::NothingHalfTaken,
        what: "the books of an order differ from its latest accepted state",
        record: "order",
        fields: &[Number("quantity"), Money("amount"), Money("discount"), Money("tax")],
        text: "SELECT o.id AS id, concat_ws(' ', o.number, i.sku) AS name, \
            g.stock_units AS e1, CASE WHEN g.stock_units BETWEEN g.n1 AND g.n1 + g.b1 THEN g.stock_units ELSE g.n1 END AS f1, \
            g.amount AS e2, CASE WHEN g.amount BETWEEN g.n2 AND g.n2 + g.b2 THEN g.amount ELSE g.n2 END AS f2, \
            g.discount AS e3, CASE WHEN g.discount BETWEEN g.n3 AND g.n3 + g.b3 THEN g.discount ELSE g.n3 END AS f3, \
            g.tax AS e4, CASE WHEN g.tax BETWEEN g.n4 AND g.n4 + g.b4 THEN g.tax ELSE g.n4 END AS f4 \
            FROM (SELECT order_id, item_id, SUM(stock_units) AS stock_units, SUM(amount) AS amount, SUM(discount) AS discount, \
                SUM(tax) AS tax, SUM(n1) AS n1, SUM(n2) AS n2, SUM(n3) AS n3, SUM(n4) AS n4, \
                SUM(b1) AS b1, SUM(b2) AS b2, SUM(b3) AS b3, SUM(b4) AS b4 FROM (\
                SELECT order_id, item_id, stock_units, amount, discount, tax, 0 AS n1, 0 AS n2, 0 AS n3, 0 AS n4, \
                    0 AS b1, 0 AS b2, 0 AS b3, 0 AS b4 FROM order_state_item \
                UNION ALL SELECT order_id, COALESCE(for_item_id, item_id, 0), 0, 0, 0, 0, stock_units, amount, discount, \
                    tax, 0, 0, 0, 0 FROM order_line WHERE sale_line_id IS NOT NULL OR state <> 'undone' \
                UNION ALL SELECT order_id, COALESCE(for_item_id, item_id, 0), 0, 0, 0, 0, 0, 0, 0, 0, stock_units, amount, \
                    discount, tax FROM order_line WHERE sale_line_id IS NULL AND state = 'undone' \
                UNION ALL SELECT n.order_id, COALESCE(n.for_item_id, n.item_id, 0), 0, 0, 0, 0, -r.stock_units, -r.amount, \
                    -r.discount, -r.tax, CASE WHEN c.refund_id IS NULL THEN r.stock_units ELSE 0 END, \
                    CASE WHEN c.refund_id IS NULL THEN r.amount ELSE 0 END, \
                    CASE WHEN c.refund_id IS NULL THEN r.discount ELSE 0 END, \
                    CASE WHEN c.refund_id IS NULL THEN r.tax ELSE 0 END FROM order_line n \
                    JOIN refund_line r ON r.sale_line_id = n.sale_line_id \
                    LEFT JOIN order_change c ON c.refund_id = r.refund_id) AS parts GROUP BY order_id, item_id) g \
            JOIN customer_order o ON o.id = g.order_id LEFT JOIN item i ON i.id = g.item_id WHERE o.backfilled = 0",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "the books of an order differ from its latest accepted state",
        record: "order",
        fields: &[Money("shipping"), Money("fee")],
        text: "SELECT g.id AS id, g.number AS name, g.said AS e1, \
            CASE WHEN g.said BETWEEN g.net AND g.net + g.beside THEN g.said ELSE g.net END AS f1, \
            CASE WHEN g.fee = 0 THEN g.kept ELSE g.fee END AS e2, g.kept AS f2 FROM (\
            SELECT o.id, o.number, o.fee, CASE WHEN o.status IN \
                ('OrderCancelled', 'OrderReturned', 'OrderPaymentDue', 'Unknown') THEN 0 ELSE o.shipping END AS said, s.shipping - COALESCE(r.shipping, 0) AS net, \
                COALESCE(r.beside, 0) + COALESCE(c.shipping, 0) AS beside, s.fee + COALESCE(f.amount, 0) AS kept \
            FROM customer_order o \
            JOIN (SELECT order_id, SUM(shipping) AS shipping, SUM(fee) AS fee FROM sale WHERE order_id IS NOT NULL \
                GROUP BY order_id) s ON s.order_id = o.id \
            LEFT JOIN (SELECT s.order_id, SUM(r.shipping) AS shipping, \
                SUM(CASE WHEN c.refund_id IS NULL THEN r.shipping ELSE 0 END) AS beside FROM refund r \
                JOIN sale s ON s.id = r.sale_id LEFT JOIN order_change c ON c.refund_id = r.id \
                WHERE s.order_id IS NOT NULL GROUP BY s.order_id) r ON r.order_id = o.id \
            LEFT JOIN (SELECT order_id, SUM(shipping) AS shipping FROM line_decision GROUP BY order_id) c \
                ON c.order_id = o.id \
            LEFT JOIN (SELECT order_id, SUM(amount) AS amount FROM order_fee GROUP BY order_id) f \
                ON f.order_id = o.id WHERE o.backfilled = 0) g",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "a refund that a state of an order made is of another order's sale",
        record: "refund",
        fields: &[Id("order of its sale")],
        text: "SELECT c.refund_id AS id, 'refund' AS name, c.order_id AS e1, COALESCE(s.order_id, 0) AS f1 \
            FROM order_change c LEFT JOIN refund r ON r.id = c.refund_id LEFT JOIN sale s ON s.id = r.sale_id",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "lines of an order stand otherwise than the order",
        record: "order",
        fields: &[
            Number("filled lines of an unpaid order"),
            Number("waiting lines of an order that is over"),
        ],
        text: "SELECT o.id AS id, o.number AS name, \
            CASE WHEN o.status IN ('OrderPaymentDue', 'Unknown') THEN 0 ELSE COALESCE(n.filled, 0) END AS e1, \
            COALESCE(n.filled, 0) AS f1, \
            CASE WHEN o.status IN ('OrderCancelled', 'OrderReturned') THEN 0 ELSE COALESCE(n.waiting, 0) END AS e2, \
            COALESCE(n.waiting, 0) AS f2 FROM customer_order o LEFT JOIN (SELECT order_id, \
            SUM(CASE WHEN state = 'filled' THEN 1 ELSE 0 END) AS filled, \
            SUM(CASE WHEN state IN ('held', 'short') THEN 1 ELSE 0 END) AS waiting \
            FROM order_line GROUP BY order_id) n ON n.order_id = o.id",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "a line that is set aside has no hold of its own stock",
        record: "order line",
        fields: &[Id("item held"), Number("quantity held")],
        text: "SELECT n.id AS id, n.code AS name, COALESCE(n.item_id, -1) AS e1, COALESCE(h.item_id, 0) AS f1, \
            n.stock_units AS e2, COALESCE(h.stock_units, 0) AS f2 FROM order_line n LEFT JOIN hold h ON h.id = n.hold_id \
            WHERE n.state = 'held'",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "a refund of an order is of another order's sale",
        record: "order",
        fields: &[Id("order of the refund's sale")],
        text: "SELECT o.id AS id, o.number AS name, o.id AS e1, COALESCE(s.order_id, 0) AS f1 \
            FROM order_refund b JOIN customer_order o ON o.id = b.order_id JOIN refund r ON r.id = b.refund_id \
            LEFT JOIN sale s ON s.id = r.sale_id",
    },
    Rule {
        law: Law::NothingHalfTaken,
        what: "a line that somebody decided about stands otherwise than was chosen",
        record: "order line",
        fields: &[
            Id("order"),
            Flag("waits no more"),
            Flag("is sold itself"),
            Number("quantity sold instead"),
            Money("amount sold instead or given back"),
            Money("discount sold instead or given back"),
            Money("tax sold instead or given back"),
            Flag("what is sold instead is in the books"),
            Flag("on its channel"),
        ],
        text: "SELECT l.id AS id, l.code AS name, l.order_id AS e1, c.order_id AS f1, \
            1 AS e2, CASE WHEN l.state = 'undone' THEN 1 ELSE 0 END AS f2, \
            0 AS e3, CASE WHEN l.sale_line_id IS NULL THEN 0 ELSE 1 END AS f3, \
            CASE WHEN c.choice = 'refunded' THEN 0 ELSE l.stock_units END AS e4, COALESCE(n.stock_units, 0) AS f4, \
            l.amount AS e5, c.amount + COALESCE(n.amount, 0) AS f5, \
            l.discount AS e6, c.discount + COALESCE(n.discount, 0) AS f6, \
            l.tax AS e7, c.tax + COALESCE(n.tax, 0) AS f7, \
            CASE WHEN c.choice = 'refunded' THEN 0 ELSE 1 END AS e8, \
            CASE WHEN n.sale_line_id IS NULL THEN 0 ELSE 1 END AS f8, \
            1 AS e9, CASE WHEN n.id IS NULL OR f.channel = o.channel THEN 1 ELSE 0 END AS f9 \
            FROM line_decision c JOIN order_line l ON l.id = c.line_id JOIN customer_order o ON o.id = l.order_id \
            LEFT JOIN order_line n ON n.id = c.new_line_id LEFT JOIN customer_order f ON f.id = n.order_id",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "shipping of an order was given back more than once, or beside a sale that has it",
        record: "order",
        fields: &[Money("shipping given back, at most what was charged"), Number("times")],
        text: "SELECT o.id AS id, o.number AS name, \
            CASE WHEN c.shipping > o.shipping THEN o.shipping ELSE c.shipping END AS e1, c.shipping AS f1, \
            CASE WHEN c.times > 1 THEN 1 ELSE c.times END AS e2, c.times AS f2 FROM customer_order o JOIN (\
            SELECT order_id, SUM(shipping) AS shipping, SUM(CASE WHEN shipping > 0 THEN 1 ELSE 0 END) AS times \
            FROM line_decision GROUP BY order_id) c ON c.order_id = o.id",
    },
];
