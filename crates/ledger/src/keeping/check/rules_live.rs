//! Rules about connections: what was sent and what is waiting agree, and no claim lasts forever.

use super::Law;
use super::rule::Field::{Flag, Number};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::Records,
        what: "a live connection has no state of its own, and is never served",
        record: "connection",
        fields: &[Flag("has a state")],
        text: "SELECT c.id AS id, c.name AS name, 1 AS e1, CASE WHEN s.connection_id IS NULL THEN 0 ELSE 1 END AS f1 \
            FROM connection c LEFT JOIN connection_state s ON s.connection_id = c.id \
            WHERE c.id > 1 AND c.ended_ms IS NULL",
    },
    Rule {
        law: Law::Records,
        what: "a live listing is behind its item, and no message of the item's revision waits",
        record: "item",
        fields: &[Flag("waits or was told")],
        text: "SELECT i.id AS id, i.sku || ' on ' || c.name AS name, 1 AS e1, \
            CASE WHEN l.revision >= i.revision OR o.item_id IS NOT NULL THEN 1 ELSE 0 END AS f1 \
            FROM listing l JOIN connection c ON c.id = l.connection_id JOIN item i ON i.id = l.item_id \
            LEFT JOIN outbox o ON o.connection_id = l.connection_id AND o.item_id = l.item_id \
                AND o.revision = i.revision \
            WHERE c.id > 1 AND c.ended_ms IS NULL",
    },
    Rule {
        law: Law::Records,
        what: "a message to a live connection says what its listing says already",
        record: "item",
        fields: &[Flag("is news to the listing")],
        text: "SELECT i.id AS id, i.sku || ' on ' || c.name AS name, \
            1 AS e1, CASE WHEN o.revision <= l.revision THEN 0 ELSE 1 END AS f1 \
            FROM outbox o JOIN connection c ON c.id = o.connection_id JOIN item i ON i.id = o.item_id \
            JOIN listing l ON l.connection_id = o.connection_id AND l.item_id = o.item_id \
            WHERE c.id > 1 AND c.ended_ms IS NULL",
    },
    Rule {
        law: Law::Records,
        what: "a message is in hand without end, held by nobody, or parked at a revision that is yet to come",
        record: "item",
        fields: &[Flag("has an end if it is held"), Number("revision that is parked")],
        text: "SELECT i.id AS id, i.sku || ' on ' || c.name AS name, \
            CASE WHEN d.holder = 0 THEN 0 ELSE 1 END AS e1, CASE WHEN d.lease_ms = 0 THEN 0 ELSE 1 END AS f1, \
            CASE WHEN d.dead_letter_revision > i.revision THEN i.revision ELSE d.dead_letter_revision END AS e2, \
            d.dead_letter_revision AS f2 \
            FROM delivery d JOIN connection c ON c.id = d.connection_id JOIN item i ON i.id = d.item_id",
    },
    Rule {
        law: Law::Records,
        what: "a fetch is in hand without end, or held by nobody",
        record: "connection",
        fields: &[Flag("has an end if it is held")],
        text: "SELECT c.id AS id, c.name || ' ' || p.what AS name, CASE WHEN p.holder = 0 THEN 0 ELSE 1 END AS e1, \
            CASE WHEN p.lease_ms = 0 THEN 0 ELSE 1 END AS f1 FROM pull p JOIN connection c ON c.id = p.connection_id",
    },
    Rule {
        law: Law::Records,
        what: "a deferred order is not as it came, or in hand without end",
        record: "deferred order",
        fields: &[Flag("has a body"), Flag("has the mark of its body"), Flag("has an end if it is held")],
        text: "SELECT id, number AS name, 1 AS e1, CASE WHEN raw = '' THEN 0 ELSE 1 END AS f1, \
            1 AS e2, CASE WHEN raw_hash = '' THEN 0 ELSE 1 END AS f2, \
            CASE WHEN holder = 0 THEN 0 ELSE 1 END AS e3, CASE WHEN lease_ms = 0 THEN 0 ELSE 1 END AS f3 \
            FROM deferred_order",
    },
    Rule {
        law: Law::Records,
        what: "a difference is about an item of another code",
        record: "difference",
        fields: &[Flag("is the item's code")],
        text: "SELECT f.id AS id, f.sku AS name, 1 AS e1, CASE WHEN k.item_id IS NULL THEN 0 ELSE 1 END AS f1 \
            FROM difference f LEFT JOIN code k ON k.item_id = f.item_id AND k.code = f.sku WHERE f.item_id IS NOT NULL",
    },
];
