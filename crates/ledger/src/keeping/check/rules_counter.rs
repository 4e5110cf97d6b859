//! Rules about the counter: drawers equal their entries, and the entries equal the payments.

use super::Law;
use super::rule::Field::{Flag, Id, Money, Number};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::MoneyAddsUp,
        what: "a drawer differs from its entries",
        record: "drawer turn",
        fields: &[Money("expected"), Money("float"), Money("over or short"), Number("counts of the float")],
        text: "SELECT t.id AS id, t.channel AS name, COALESCE(e.amount, 0) AS e1, t.expected AS f1, \
            COALESCE(e.opening_cash, 0) AS e2, t.opening_cash AS f2, \
            CASE WHEN t.closed_ms IS NULL THEN 0 ELSE t.counted - t.expected END AS e3, COALESCE(t.difference, 0) AS f3, \
            1 AS e4, COALESCE(e.floats, 0) AS f4 FROM drawer_turn t LEFT JOIN (\
            SELECT turn_id, SUM(amount) AS amount, SUM(CASE WHEN kind = 'float' THEN amount ELSE 0 END) AS opening_cash, \
            SUM(CASE WHEN kind = 'float' THEN 1 ELSE 0 END) AS floats FROM drawer_entry GROUP BY turn_id) e \
            ON e.turn_id = t.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "the drawer's entry of a sale or its void differs from the cash that was taken",
        record: "sale",
        fields: &[Money("cash in the drawer"), Number("entries of one kind, at most one")],
        text: "SELECT s.id AS id, e.kind || ' of receipt ' || CAST(COALESCE(s.receipt, 0) AS TEXT) AS name, \
            CASE WHEN e.kind = 'sale' THEN 1 ELSE -1 END * (COALESCE(t.cash, 0) - s.change_given) AS e1, e.amount AS f1, \
            1 AS e2, e.entries AS f2 FROM (\
            SELECT source_id, kind, SUM(amount) AS amount, COUNT(*) AS entries FROM drawer_entry \
                WHERE kind IN ('sale', 'void') GROUP BY source_id, kind) e JOIN sale s ON s.id = e.source_id \
            LEFT JOIN (SELECT sale_id, SUM(amount) AS cash FROM tender WHERE kind = 'cash' GROUP BY sale_id) t \
                ON t.sale_id = s.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "the drawer's entry of a refund or a payment differs from its cash",
        record: "drawer entry",
        fields: &[Money("cash in the drawer")],
        text: "SELECT e.id AS id, e.kind AS name, \
            CASE WHEN e.kind = 'refund' THEN -COALESCE(t.cash, 0) ELSE COALESCE(p.amount, 0) END AS e1, e.amount AS f1 \
            FROM drawer_entry e \
            LEFT JOIN (SELECT refund_id, SUM(amount) AS cash FROM tender WHERE kind = 'cash' AND refund_id IS NOT NULL \
                GROUP BY refund_id) t ON t.refund_id = e.source_id \
            LEFT JOIN payment p ON p.id = e.source_id AND p.kind = 'cash' WHERE e.kind IN ('refund', 'payment')",
    },
    Rule {
        law: Law::SaidOnce,
        what: "a slip and its sale do not agree",
        record: "slip",
        fields: &[Id("sale"), Flag("on the sale's channel")],
        text: "SELECT b.id AS id, b.state AS name, CASE WHEN b.state = 'paid' THEN COALESCE(s.id, -1) ELSE 0 END AS e1, \
            COALESCE(b.sale_id, 0) AS f1, 1 AS e2, \
            CASE WHEN s.id IS NULL OR s.channel = b.channel THEN 1 ELSE 0 END AS f2 \
            FROM basket b LEFT JOIN sale s ON s.id = b.sale_id",
    },
    Rule {
        law: Law::SaidOnce,
        what: "a sale that ended can still be undone, or back to what it is not yet",
        record: "slip",
        fields: &[Flag("earlier contents of an open sale")],
        text: "SELECT b.id AS id, b.state AS name, 1 AS e1, \
            CASE WHEN b.state = 'open' AND t.revision < b.revision THEN 1 ELSE 0 END AS f1 \
            FROM basket_step t JOIN basket b ON b.id = t.basket_id",
    },
    Rule {
        law: Law::SaidOnce,
        what: "an approval is not by another person, within a minute",
        record: "approval",
        fields: &[Flag("by another person"), Flag("used within its minute, or not")],
        text: "SELECT id, act AS name, 1 AS e1, CASE WHEN asker <> approver THEN 1 ELSE 0 END AS f1, 1 AS e2, \
            CASE WHEN expires_ms = at_ms + 60000 AND (used_ms IS NULL OR (used_ms >= at_ms AND used_ms < expires_ms)) \
            THEN 1 ELSE 0 END AS f2 FROM approval",
    },
];
