//! Law 4 for gift certificates: what they are worth is what their entries come to, and nothing is issued or spent
//! beside the books.

use super::Law;
use super::rule::Field::Money;
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::MoneyAddsUp,
        what: "what is left on a gift certificate differs from its entries",
        record: "gift certificate",
        fields: &[Money("balance")],
        text: "SELECT a.id AS id, a.note AS name, COALESCE(e.amount, 0) AS e1, a.balance AS f1 FROM account a \
            LEFT JOIN (SELECT account_id, SUM(amount) AS amount FROM account_entry GROUP BY account_id) e \
                ON e.account_id = a.id",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "a line that sells a gift certificate differs from what was put on it",
        record: "sale line",
        fields: &[Money("put on a gift certificate")],
        text: "SELECT l.id AS id, l.title AS name, l.amount AS e1, COALESCE(e.amount, 0) AS f1 FROM sale_line l \
            JOIN sale s ON s.id = l.sale_id LEFT JOIN (SELECT sale_line_id, SUM(amount) AS amount FROM account_entry \
                WHERE reason = 'sold' GROUP BY sale_line_id) e ON e.sale_line_id = l.id \
            WHERE l.kind = 'gift-certificate' AND s.backfilled = 0",
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
            LEFT JOIN (SELECT sale_id, -SUM(amount) AS amount FROM account_entry \
                WHERE reason = 'spent' GROUP BY sale_id) e ON e.sale_id = s.id WHERE s.backfilled = 0",
    },
    Rule {
        law: Law::MoneyAddsUp,
        what: "what a voided sale did to gift certificates is not undone",
        record: "sale",
        fields: &[Money("left on a gift certificate")],
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
            LEFT JOIN (SELECT refund_id, SUM(amount) AS amount FROM account_entry WHERE reason = 'refund' \
                GROUP BY refund_id) e ON e.refund_id = r.id",
    },
    Rule {
        law: Law::GivenBackOnce,
        what: "what was refunded of a gift certificate was not taken off it",
        record: "refund line",
        fields: &[Money("taken off the gift certificate")],
        text: "SELECT b.id AS id, l.title AS name, b.amount - b.discount + b.tax AS e1, COALESCE(e.amount, 0) AS f1 \
            FROM refund_line b JOIN sale_line l ON l.id = b.sale_line_id JOIN sale s ON s.id = l.sale_id \
            LEFT JOIN (SELECT refund_id, sale_line_id, -SUM(amount) AS amount FROM account_entry \
                WHERE reason = 'returned' GROUP BY refund_id, sale_line_id) e \
                ON e.refund_id = b.refund_id AND e.sale_line_id = l.id \
            WHERE l.kind = 'gift-certificate' AND s.backfilled = 0",
    },
];
