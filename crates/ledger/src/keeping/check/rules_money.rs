//! Laws 4, 5, 7 and 9 for sales, refunds, receipts and keys.

use super::Law;
use super::rule::Field::{Flag, Id, Money, Number};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::MoneyAddsUp,
        what: "what pays a sale in an exchange differs from the refund of what was brought back",
        record: "sale",
        fields: &[Money("paid in exchange")],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'past') AS name, \
            COALESCE(b.amount, 0) AS e1, COALESCE(t.amount, 0) AS f1 FROM sale s \
            LEFT JOIN (SELECT sale_id, SUM(amount) AS amount FROM tender WHERE kind = 'exchange' AND sale_id IS NOT NULL \
                GROUP BY sale_id) t ON t.sale_id = s.id \
            LEFT JOIN (SELECT r.paid_sale, SUM(x.amount) AS amount FROM refund r JOIN tender x ON x.refund_id = r.id \
                WHERE x.kind = 'exchange' AND r.paid_sale IS NOT NULL GROUP BY r.paid_sale) b ON b.paid_sale = s.id \
            WHERE t.amount IS NOT NULL OR b.amount IS NOT NULL",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a refund paid a sale in an exchange, and does not name it",
        record: "refund",
        fields: &[Flag("names the sale that it paid")],
        text: "SELECT r.id AS id, r.who AS name, 1 AS e1, CASE WHEN r.paid_sale IS NULL THEN 0 ELSE 1 END AS f1 \
            FROM refund r JOIN tender x ON x.refund_id = r.id WHERE x.kind = 'exchange'",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a sale does not add up to its lines and tenders",
        record: "sale",
        fields: &[
            Money("goods"),
            Money("gift certificates and deposits"),
            Money("discounts"),
            Money("tax"),
            Money("tendered"),
            Money("tendered less change"),
        ],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'past') AS name, \
            COALESCE(l.goods, 0) AS e1, s.goods AS f1, COALESCE(l.paper, 0) AS e2, s.not_revenue AS f2, \
            COALESCE(l.discounts, 0) AS e3, s.discounts AS f3, COALESCE(l.tax, 0) AS e4, s.tax AS f4, \
            COALESCE(t.tendered, 0) AS e5, s.tendered AS f5, \
            s.goods + s.not_revenue - s.discounts + s.tax + s.shipping + s.rounding AS e6, \
            s.tendered - s.change_given AS f6 FROM sale s LEFT JOIN (\
            SELECT sale_id, SUM(CASE WHEN kind = 'goods' THEN amount ELSE 0 END) AS goods, \
            SUM(CASE WHEN kind = 'goods' THEN 0 ELSE amount END) AS paper, \
            SUM(discount) AS discounts, SUM(tax) AS tax FROM sale_line GROUP BY sale_id) l ON l.sale_id = s.id \
            LEFT JOIN (SELECT sale_id, SUM(amount) AS tendered FROM tender WHERE sale_id IS NOT NULL GROUP BY sale_id) t \
                ON t.sale_id = s.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a refund does not add up to its lines and tenders",
        record: "refund",
        fields: &[
            Money("goods"),
            Money("discounts"),
            Money("tax"),
            Money("tenders"),
            Money("goods − discounts + tax + shipping + rounding"),
        ],
        text: "SELECT r.id AS id, 'of sale ' || CAST(r.sale_id AS TEXT) AS name, \
            COALESCE(l.goods, 0) AS e1, r.goods AS f1, COALESCE(l.discounts, 0) AS e2, r.discounts AS f2, \
            COALESCE(l.tax, 0) AS e3, r.tax AS f3, r.tendered AS e4, COALESCE(t.tendered, 0) AS f4, \
            r.tendered AS e5, r.goods - r.discounts + r.tax + r.shipping + r.rounding AS f5 FROM refund r LEFT JOIN (\
            SELECT refund_id, SUM(amount) AS goods, SUM(discount) AS discounts, SUM(tax) AS tax \
            FROM refund_line GROUP BY refund_id) l ON l.refund_id = r.id \
            LEFT JOIN (SELECT refund_id, SUM(amount) AS tendered FROM tender WHERE refund_id IS NOT NULL \
                GROUP BY refund_id) t ON t.refund_id = r.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what is owed differs from its tender, or what was paid of it from the payments",
        record: "tender",
        fields: &[Money("owed"), Id("sale"), Money("paid")],
        text: "SELECT t.id AS id, COALESCE(w.name, '') AS name, t.amount AS e1, COALESCE(o.amount, 0) AS f1, \
            CASE WHEN o.tender_id IS NULL THEN 0 ELSE t.sale_id END AS e2, COALESCE(o.sale_id, 0) AS f2, \
            COALESCE(p.amount, 0) AS e3, COALESCE(o.paid, 0) AS f3 FROM tender t \
            LEFT JOIN open_balance o ON o.tender_id = t.id LEFT JOIN person_data w ON w.id = t.customer_id \
            LEFT JOIN (SELECT tender_id, SUM(amount) AS amount FROM payment GROUP BY tender_id) p ON p.tender_id = t.id \
            WHERE t.kind = 'on-account' AND t.sale_id IS NOT NULL",
    },
    Rule {
        law: Law::SaidOnce,
        what: "a key was kept without its answer",
        record: "key",
        fields: &[Flag("has an answer")],
        text: "SELECT 0 AS id, scope || ' ' || key AS name, 1 AS e1, 0 AS f1 FROM idempotency_key WHERE answer IS NULL",
    },
    Rule {
        law: Law::NothingLost,
        what: "the receipt before is missing, or the receipt does not fit the kind of sale",
        record: "sale",
        fields: &[Flag("the receipt before is there"), Flag("has a receipt")],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'no receipt') AS name, \
            1 AS e1, CASE WHEN s.receipt IS NULL OR s.receipt = 1 \
                OR EXISTS (SELECT 1 FROM sale b WHERE b.receipt = s.receipt - 1) THEN 1 ELSE 0 END AS f1, \
            1 - s.backfilled AS e2, CASE WHEN s.receipt IS NULL THEN 0 ELSE 1 END AS f2 FROM sale s",
    },
    Rule {
        law: Law::NothingLost,
        what: "the last receipt is missing, or the shop's count of receipts went back",
        record: "shop",
        fields: &[Number("last receipt")],
        text: "SELECT 1 AS id, '' AS name, p.receipt AS e1, \
            COALESCE((SELECT MAX(receipt) FROM sale), 0) AS f1 FROM shop_state p",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "what was given back of a line differs from its refunds, or is more than was sold",
        record: "sale line",
        fields: &[
            Number("given back"),
            Money("amount given back"),
            Money("discount given back"),
            Money("tax given back"),
            Money("cost given back"),
            Number("sold"),
            Money("amount sold"),
            Money("discount sold"),
            Money("tax sold"),
            Number("given back, at most what was sold"),
            Money("amount given back, against what was sold"),
            Money("discount given back, against what was sold"),
            Money("tax given back, against what was sold"),
        ],
        text: "SELECT l.id AS id, l.code AS name, COALESCE(r.stock_units, 0) AS e1, COALESCE(b.stock_units, 0) AS f1, \
            COALESCE(r.amount, 0) AS e2, COALESCE(b.amount, 0) AS f2, \
            COALESCE(r.discount, 0) AS e3, COALESCE(b.discount, 0) AS f3, \
            COALESCE(r.tax, 0) AS e4, COALESCE(b.tax, 0) AS f4, COALESCE(r.cost, 0) AS e5, COALESCE(b.cost, 0) AS f5, \
            l.stock_units AS e6, COALESCE(b.stock_units_sold, 0) AS f6, l.amount AS e7, COALESCE(b.amount_sold, 0) AS f7, \
            l.discount AS e8, COALESCE(b.discount_sold, 0) AS f8, l.tax AS e9, COALESCE(b.tax_sold, 0) AS f9, \
            CASE WHEN b.stock_units > l.stock_units THEN l.stock_units ELSE COALESCE(b.stock_units, 0) END AS e10, COALESCE(b.stock_units, 0) AS f10, \
            CASE WHEN b.stock_units >= l.stock_units OR b.amount > l.amount THEN l.amount ELSE COALESCE(b.amount, 0) END AS e11, \
            COALESCE(b.amount, 0) AS f11, \
            CASE WHEN b.stock_units >= l.stock_units OR b.discount > l.discount THEN l.discount ELSE COALESCE(b.discount, 0) END AS e12, \
            COALESCE(b.discount, 0) AS f12, \
            CASE WHEN b.stock_units >= l.stock_units OR b.tax > l.tax THEN l.tax ELSE COALESCE(b.tax, 0) END AS e13, \
            COALESCE(b.tax, 0) AS f13 \
            FROM (SELECT sale_line_id FROM line_refunded UNION SELECT sale_line_id FROM refund_line) u \
            JOIN sale_line l ON l.id = u.sale_line_id LEFT JOIN line_refunded b ON b.sale_line_id = u.sale_line_id \
            LEFT JOIN (SELECT sale_line_id, SUM(stock_units) AS stock_units, SUM(amount) AS amount, SUM(discount) AS discount, \
                SUM(tax) AS tax, SUM(cost) AS cost FROM refund_line GROUP BY sale_line_id) r \
                ON r.sale_line_id = u.sale_line_id",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "what was given back of a sale differs from its refunds or its void",
        record: "sale",
        fields: &[
            Money("shipping given back"),
            Money("shipping sold"),
            Money("shipping given back, at most what was sold"),
            Number("refunds"),
            Flag("voided"),
            Number("refunds of a voided sale"),
        ],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'past') AS name, \
            COALESCE(r.shipping, 0) AS e1, COALESCE(b.shipping, 0) AS f1, \
            s.shipping AS e2, COALESCE(b.shipping_sold, -1) AS f2, \
            CASE WHEN b.shipping > s.shipping THEN s.shipping ELSE COALESCE(b.shipping, 0) END AS e3, \
            COALESCE(b.shipping, 0) AS f3, COALESCE(r.refunds, 0) AS e4, COALESCE(b.refunds, 0) AS f4, \
            CASE WHEN v.sale_id IS NULL THEN 0 ELSE 1 END AS e5, COALESCE(b.voided, 0) AS f5, \
            CASE WHEN v.sale_id IS NULL THEN COALESCE(r.refunds, 0) ELSE 0 END AS e6, COALESCE(r.refunds, 0) AS f6 \
            FROM (SELECT sale_id FROM sale_refunded UNION SELECT sale_id FROM refund UNION SELECT sale_id FROM sale_void) u \
            JOIN sale s ON s.id = u.sale_id LEFT JOIN sale_refunded b ON b.sale_id = u.sale_id \
            LEFT JOIN sale_void v ON v.sale_id = u.sale_id \
            LEFT JOIN (SELECT sale_id, SUM(shipping) AS shipping, COUNT(*) AS refunds FROM refund GROUP BY sale_id) r \
                ON r.sale_id = u.sale_id",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "a refund gives back a line of another sale",
        record: "refund line",
        fields: &[Id("sale")],
        text: "SELECT rl.id AS id, '' AS name, r.sale_id AS e1, l.sale_id AS f1 FROM refund_line rl \
            JOIN refund r ON r.id = rl.refund_id JOIN sale_line l ON l.id = rl.sale_line_id",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "goods came back of a refund that gave money alone",
        record: "refund line",
        fields: &[Flag("goods came back"), Number("units")],
        text: "SELECT rl.id AS id, '' AS name, 0 AS e1, CASE WHEN c.refund_line_id IS NULL THEN 0 ELSE 1 END AS f1, \
            0 AS e2, rl.units AS f2 FROM refund_line rl LEFT JOIN return_decision c ON c.refund_line_id = rl.id \
            WHERE rl.stock_units = 0",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "more was taken off what is left of a line than it is worth",
        record: "sale line",
        fields: &[Money("discount left, at most the amount left")],
        text: "SELECT l.id AS id, l.code AS name, CASE WHEN l.discount - b.discount > l.amount - b.amount \
            THEN l.amount - b.amount ELSE l.discount - b.discount END AS e1, l.discount - b.discount AS f1 \
            FROM line_refunded b JOIN sale_line l ON l.id = b.sale_line_id",
    },
];
