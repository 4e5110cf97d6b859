//! Rules about customers: who was erased stays erased, and what names somebody finds their row.

use super::Law;
use super::rule::Field::Flag;
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::Records,
        what: "an erased person's data is there again",
        record: "personal data",
        fields: &[Flag("empty")],
        text: "SELECT p.id AS id, '' AS name, 1 AS e1, CASE WHEN p.name = '' AND p.email = '' AND p.phone = '' \
            AND p.note = '' AND p.folded = '' AND p.email_key = '' THEN 1 ELSE 0 END AS f1 \
            FROM person_data p WHERE p.erased_ms IS NOT NULL",
    },
    Rule {
        law: Law::Records,
        what: "what is on account has another payer than its tender",
        record: "tender",
        fields: &[Flag("the same payer")],
        text: "SELECT t.id AS id, '' AS name, 1 AS e1, CASE WHEN t.customer_id = o.customer_id THEN 1 ELSE 0 END AS f1 \
            FROM open_balance o JOIN tender t ON t.id = o.tender_id",
    },
    Rule {
        law: Law::Records,
        what: "an entry of the activity log is about a customer who is not there",
        record: "entry",
        fields: &[Flag("there")],
        text: "SELECT a.id AS id, '' AS name, 1 AS e1, CASE WHEN c.id IS NULL THEN 0 ELSE 1 END AS f1 FROM activity a \
            LEFT JOIN customer c ON c.id = a.customer_id WHERE a.customer_id IS NOT NULL",
    },
    Rule {
        law: Law::Records,
        what: "a customer who was erased still has terms",
        record: "customer",
        fields: &[Flag("without terms"), Flag("with a name if the certificate is kept")],
        text: "SELECT c.id AS id, '' AS name, 1 AS e1, \
            CASE WHEN c.wholesale = 0 AND c.discount IS NULL THEN 1 ELSE 0 END AS f1, \
            CASE WHEN c.certificate = '' THEN 0 ELSE 1 END AS e2, \
            CASE WHEN c.kept_id IS NULL THEN 0 ELSE 1 END AS f2 FROM customer c \
            JOIN person_data p ON p.id = c.id WHERE p.erased_ms IS NOT NULL",
    },
];
