//! Law 4 for gift certificates and deposits: what they are worth is what their entries come to, and nothing is opened or
//! spent beside the books. A deposit names its customer and what it is for.

use super::Law;
use super::rule::Field::{Flag, Id, Money};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::MoneyAddsUp,
        what: "what is left on a gift certificate or a deposit differs from its entries",
        record: "account",
        fields: &[Money("balance")],
        text: "SELECT a.id AS id, a.kind AS name, COALESCE(e.amount, 0) AS e1, a.balance AS f1 FROM account a \
            LEFT JOIN (SELECT account_id, SUM(amount) AS amount FROM account_entry GROUP BY account_id) e \
                ON e.account_id = a.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a line that sells a gift certificate or takes a deposit differs from what was put on it",
        record: "sale line",
        fields: &[Money("put on its account")],
        text: "SELECT l.id AS id, l.title AS name, l.amount AS e1, COALESCE(e.amount, 0) AS f1 FROM sale_line l \
            JOIN sale s ON s.id = l.sale_id LEFT JOIN (SELECT sale_line_id, SUM(amount) AS amount FROM account_entry \
                WHERE reason = 'sold' GROUP BY sale_line_id) e ON e.sale_line_id = l.id \
            WHERE l.kind <> 'goods' AND s.backfilled = 0",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what gift certificates paid of a sale differs from what was taken off them",
        record: "sale",
        fields: &[Money("taken off gift certificates")],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'past') AS name, \
            COALESCE(t.amount, 0) + COALESCE(p.amount, 0) AS e1, COALESCE(e.amount, 0) AS f1 FROM sale s \
            LEFT JOIN (SELECT sale_id, SUM(amount) AS amount FROM tender \
                WHERE kind = 'gift-certificate' AND sale_id IS NOT NULL GROUP BY sale_id) t ON t.sale_id = s.id \
            LEFT JOIN (SELECT o.sale_id, SUM(y.amount) AS amount FROM payment y \
                JOIN open_balance o ON o.tender_id = y.tender_id \
                WHERE y.kind = 'gift-certificate' GROUP BY o.sale_id) p ON p.sale_id = s.id \
            LEFT JOIN (SELECT x.sale_id, -SUM(x.amount) AS amount FROM account_entry x \
                JOIN account a ON a.id = x.account_id WHERE x.reason = 'spent' AND a.kind = 'gift-certificate' \
                GROUP BY x.sale_id) e ON e.sale_id = s.id WHERE s.backfilled = 0",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what deposits paid of a sale differs from what was taken off them",
        record: "sale",
        fields: &[Money("taken off deposits")],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'past') AS name, \
            COALESCE(t.amount, 0) AS e1, COALESCE(e.amount, 0) AS f1 FROM sale s \
            LEFT JOIN (SELECT sale_id, SUM(amount) AS amount FROM tender \
                WHERE kind = 'deposit' AND sale_id IS NOT NULL GROUP BY sale_id) t ON t.sale_id = s.id \
            LEFT JOIN (SELECT x.sale_id, -SUM(x.amount) AS amount FROM account_entry x \
                JOIN account a ON a.id = x.account_id WHERE x.reason = 'spent' AND a.kind = 'deposit' \
                GROUP BY x.sale_id) e ON e.sale_id = s.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what a voided sale did to gift certificates and deposits is not undone",
        record: "sale",
        fields: &[Money("left on an account")],
        text: "SELECT v.sale_id AS id, v.who AS name, 0 AS e1, e.amount AS f1 FROM sale_void v \
            JOIN (SELECT sale_id, account_id, SUM(amount) AS amount FROM account_entry WHERE sale_id IS NOT NULL \
                GROUP BY sale_id, account_id) e ON e.sale_id = v.sale_id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what a refund paid on gift certificates differs from what was put on them",
        record: "refund",
        fields: &[Money("put on a gift certificate")],
        text: "SELECT r.id AS id, 'of sale ' || CAST(r.sale_id AS TEXT) AS name, \
            COALESCE(t.amount, 0) AS e1, COALESCE(e.amount, 0) AS f1 FROM refund r JOIN sale s ON s.id = r.sale_id \
            LEFT JOIN (SELECT refund_id, SUM(amount) AS amount FROM tender \
                WHERE kind = 'gift-certificate' AND refund_id IS NOT NULL GROUP BY refund_id) t ON t.refund_id = r.id \
            LEFT JOIN (SELECT x.refund_id, SUM(x.amount) AS amount FROM account_entry x \
                JOIN account a ON a.id = x.account_id WHERE x.reason = 'refund' AND a.kind = 'gift-certificate' \
                GROUP BY x.refund_id) e ON e.refund_id = r.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what a refund gave back to deposits differs from what was put on them",
        record: "refund",
        fields: &[Money("put back on deposits")],
        text: "SELECT r.id AS id, 'of sale ' || CAST(r.sale_id AS TEXT) AS name, \
            COALESCE(t.amount, 0) AS e1, COALESCE(e.amount, 0) AS f1 FROM refund r \
            LEFT JOIN (SELECT refund_id, SUM(amount) AS amount FROM tender \
                WHERE kind = 'deposit' AND refund_id IS NOT NULL GROUP BY refund_id) t ON t.refund_id = r.id \
            LEFT JOIN (SELECT x.refund_id, SUM(x.amount) AS amount FROM account_entry x \
                JOIN account a ON a.id = x.account_id WHERE x.reason = 'refund' AND a.kind = 'deposit' \
                GROUP BY x.refund_id) e ON e.refund_id = r.id",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "what was refunded of a gift certificate or a deposit was not taken off it",
        record: "refund line",
        fields: &[Money("taken off its account")],
        text: "SELECT b.id AS id, l.title AS name, b.amount - b.discount + b.tax AS e1, COALESCE(e.amount, 0) AS f1 \
            FROM refund_line b JOIN sale_line l ON l.id = b.sale_line_id JOIN sale s ON s.id = l.sale_id \
            LEFT JOIN (SELECT refund_id, sale_line_id, -SUM(amount) AS amount FROM account_entry \
                WHERE reason = 'returned' GROUP BY refund_id, sale_line_id) e \
                ON e.refund_id = b.refund_id AND e.sale_line_id = l.id \
            WHERE l.kind <> 'goods' AND s.backfilled = 0",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a deposit paid for a sale to another customer",
        record: "sale",
        fields: &[Id("customer")],
        text: "SELECT s.id AS id, COALESCE('receipt ' || CAST(s.receipt AS TEXT), 'past') AS name, \
            a.customer_id AS e1, COALESCE(s.customer_id, 0) AS f1 FROM account_entry e \
            JOIN account a ON a.id = e.account_id AND a.kind = 'deposit' JOIN sale s ON s.id = e.sale_id",
    },
    Rule {
        law: Law::Records,
        what: "a deposit is for a hold or a custom order of somebody else, or for none",
        record: "deposit",
        fields: &[Id("customer")],
        text: "SELECT a.id AS id, '' AS name, a.customer_id AS e1, COALESCE(o.customer_id, h.customer_id, 0) AS f1 \
            FROM account a LEFT JOIN custom_order o ON o.id = a.custom_order \
            LEFT JOIN (SELECT group_id, MAX(customer_id) AS customer_id FROM hold GROUP BY group_id) h \
                ON h.group_id = a.hold_group WHERE a.kind = 'deposit'",
    },
    Rule {
        law: Law::Records,
        what: "a custom order's piece was collected in a sale that did not sell it, or to somebody else",
        record: "custom order",
        fields: &[Flag("sold in it"), Id("customer")],
        text: "SELECT o.id AS id, '' AS name, 1 AS e1, CASE WHEN EXISTS (SELECT 1 FROM sale_line l \
            WHERE l.sale_id = o.sale_id AND l.item_id = o.item_id) THEN 1 ELSE 0 END AS f1, \
            o.customer_id AS e2, COALESCE(s.customer_id, 0) AS f2 FROM custom_order o JOIN sale s ON s.id = o.sale_id",
    },
    Rule {
        law: Law::Records,
        what: "a custom order's hold is of another piece or for somebody else",
        record: "custom order",
        fields: &[Id("item"), Id("customer")],
        text: "SELECT o.id AS id, '' AS name, o.item_id AS e1, COALESCE(h.item_id, 0) AS f1, o.customer_id AS e2, \
            COALESCE(h.customer_id, 0) AS f2 FROM custom_order o \
            LEFT JOIN (SELECT group_id, MAX(item_id) AS item_id, MAX(customer_id) AS customer_id FROM hold \
                GROUP BY group_id) h ON h.group_id = o.hold_group WHERE o.item_id IS NOT NULL",
    },
];
