//! Laws 1, 2, 3 and 6 for items and their stock, and what online shops were told about them.

use super::Law;
use super::rule::Field::{Flag, Money, Number};
use super::rule::Rule;

pub(super) const RULES: &[Rule] = &[
    Rule {
        law: Law::OneShelf,
        what: "stock is out of its bounds",
        record: "item",
        fields: &[Number("on hand"), Number("held")],
        text: "SELECT id, sku AS name, \
            CASE WHEN on_hand < 0 THEN 0 WHEN kind = 'piece' AND on_hand > 1 THEN 1 ELSE on_hand END AS e1, \
            on_hand AS f1, \
            CASE WHEN held < 0 THEN 0 WHEN held > on_hand THEN on_hand ELSE held END AS e2, held AS f2 FROM item",
    },
    Rule {
        law: Law::SoldOnce,
        what: "made = on hand + drawn + sold − put back + written off does not hold",
        record: "item",
        fields: &[Number("made"), Number("sold less put back")],
        text: "SELECT id, sku AS name, on_hand + drawn + sold - put_back + written_off AS e1, made AS f1, \
            CASE WHEN sold - put_back < 0 THEN 0 WHEN kind = 'piece' AND sold - put_back > 1 THEN 1 \
                ELSE sold - put_back END AS e2, \
            sold - put_back AS f2 FROM item",
    },
    Rule {
        law: Law::SoldOnce,
        what: "a counter of an item differs from its stock entries",
        record: "item",
        fields: &[Number("made"), Number("sold"), Number("put back"), Number("written off")],
        text: "SELECT i.id AS id, i.sku AS name, COALESCE(e.made, 0) AS e1, i.made AS f1, \
            COALESCE(e.sold, 0) AS e2, i.sold AS f2, COALESCE(e.put_back, 0) AS e3, i.put_back AS f3, \
            COALESCE(e.written_off, 0) AS e4, i.written_off AS f4 FROM item i LEFT JOIN (\
            SELECT item_id, \
            SUM(CASE WHEN reason = 'made' OR (reason = 'count' AND change > 0) THEN change ELSE 0 END) AS made, \
            SUM(CASE WHEN reason = 'sold' THEN -change ELSE 0 END) AS sold, \
            SUM(CASE WHEN reason IN ('put-back', 'voided') THEN change ELSE 0 END) AS put_back, \
            SUM(CASE WHEN reason IN ('damage', 'gift', 'own-use', 'mistake') OR (reason = 'count' AND change < 0) THEN -change \
                ELSE 0 END) \
                AS written_off \
            FROM stock_entry GROUP BY item_id) e ON e.item_id = i.id",
    },
    Rule {
        law: Law::SoldOnce,
        what: "a counter of an item differs from its sale lines and what came back of them",
        record: "item",
        fields: &[Number("sold"), Number("put back")],
        text: "SELECT i.id AS id, i.sku AS name, COALESCE(l.stock_units, 0) AS e1, i.sold AS f1, \
            COALESCE(b.stock_units, 0) + COALESCE(v.stock_units, 0) AS e2, i.put_back AS f2 FROM item i \
            LEFT JOIN (SELECT item_id, SUM(stock_units) AS stock_units FROM sale_line WHERE item_id IS NOT NULL GROUP BY item_id) l \
                ON l.item_id = i.id \
            LEFT JOIN (SELECT sl.item_id, SUM(rl.stock_units) AS stock_units FROM return_decision c \
                JOIN refund_line rl ON rl.id = c.refund_line_id JOIN sale_line sl ON sl.id = rl.sale_line_id \
                WHERE c.disposition = 'shelf' AND sl.item_id IS NOT NULL GROUP BY sl.item_id) b ON b.item_id = i.id \
            LEFT JOIN (SELECT sl.item_id, SUM(sl.stock_units) AS stock_units FROM sale_void w JOIN sale_line sl ON sl.sale_id = w.sale_id \
                WHERE sl.item_id IS NOT NULL GROUP BY sl.item_id) v ON v.item_id = i.id",
    },
    Rule {
        law: Law::SoldOnce,
        what: "a piece was sold here, and by another system before",
        record: "item",
        fields: &[Number("past sale lines with its code")],
        text: "SELECT i.id AS id, i.sku AS name, 0 AS e1, COUNT(*) AS f1 FROM item i JOIN code k ON k.item_id = i.id \
            JOIN sale_line l ON l.code = k.code AND l.item_id IS NULL AND l.code <> '' \
            WHERE i.kind = 'piece' AND i.sold - i.put_back > 0 GROUP BY i.id, i.sku",
    },
    Rule {
        law: Law::Records,
        what: "a piece is marked as removed, and its latest change of stock is not that, or the other way around",
        record: "item",
        fields: &[Flag("removed")],
        text: "SELECT i.id AS id, i.sku AS name, CASE WHEN i.on_hand = 0 AND i.sold = 0 AND i.kind = 'piece' AND 'mistake' = \
            (SELECT e.reason FROM stock_entry e WHERE e.item_id = i.id AND e.change <> 0 ORDER BY e.id DESC LIMIT 1) \
            THEN 1 ELSE 0 END AS e1, i.removed AS f1 FROM item i \
            WHERE i.removed = 1 OR i.id IN (SELECT item_id FROM stock_entry WHERE reason = 'mistake')",
    },
    Rule {
        law: Law::Records,
        what: "a printed tag says what no tag can",
        record: "item",
        fields: &[Money("price"), Number("weight")],
        text: "SELECT i.id AS id, i.sku AS name, CASE WHEN t.price < 0 THEN 0 WHEN t.price > 100000000000 THEN 100000000000 \
            ELSE t.price END AS e1, t.price AS f1, CASE WHEN t.mass < 0 THEN 0 ELSE t.mass END AS e2, t.mass AS f2 \
            FROM printed_tag t JOIN item i ON i.id = t.item_id",
    },
    Rule {
        law: Law::LedgerAddsUp,
        what: "the stock entries do not sum to the stock",
        record: "item",
        fields: &[Number("on hand")],
        text: "SELECT i.id AS id, i.sku AS name, COALESCE(e.change, 0) AS e1, i.on_hand AS f1 FROM item i \
            LEFT JOIN (SELECT item_id, SUM(change) AS change FROM stock_entry GROUP BY item_id) e ON e.item_id = i.id",
    },
    Rule {
        law: Law::LedgerAddsUp,
        what: "the open holds do not sum to what is held",
        record: "item",
        fields: &[Number("held")],
        text: "SELECT i.id AS id, i.sku AS name, COALESCE(h.stock_units, 0) AS e1, i.held AS f1 FROM item i \
            LEFT JOIN (SELECT item_id, SUM(stock_units) AS stock_units FROM hold WHERE state = 'open' GROUP BY item_id) h \
                ON h.item_id = i.id",
    },
    Rule {
        law: Law::SoldAsItWas,
        what: "a sale line lost its own copy of what it sold",
        record: "sale line",
        fields: &[Flag("has a title"), Flag("has a code")],
        text: "SELECT id, code AS name, 1 AS e1, CASE WHEN title = '' THEN 0 ELSE 1 END AS f1, \
            1 AS e2, CASE WHEN item_id IS NOT NULL AND code = '' THEN 0 ELSE 1 END AS f2 FROM sale_line",
    },
    Rule {
        law: Law::Records,
        what: "a listing tells of a revision that the item does not have yet",
        record: "item",
        fields: &[Number("revision")],
        text: "SELECT i.id AS id, i.sku AS name, \
            CASE WHEN l.revision > i.revision THEN i.revision ELSE l.revision END AS e1, l.revision AS f1 \
            FROM listing l JOIN item i ON i.id = l.item_id",
    },
    Rule {
        law: Law::Records,
        what: "a waiting message tells of a revision that the item does not have yet",
        record: "item",
        fields: &[Number("revision")],
        text: "SELECT i.id AS id, i.sku AS name, \
            CASE WHEN o.revision > i.revision THEN i.revision ELSE o.revision END AS e1, o.revision AS f1 \
            FROM outbox o JOIN item i ON i.id = o.item_id",
    },
];
