//! Stock, holds, codes, listings and days, each damaged behind the ledger's back.

use crate::breaking::{Break, check};

const STOCK: &[Break] = &[
    Break {
        broken: "UPDATE item SET on_hand = on_hand + 1, made = made + 1 WHERE sku = 'P3'",
        mended: "UPDATE item SET on_hand = on_hand - 1, made = made - 1 WHERE sku = 'P3'",
        found: &["1 item # (P3) on hand: 1 → 2", "2 item # (P3) made: 1 → 2", "3 item # (P3) on hand: 1 → 2"],
    },
    Break {
        broken: "UPDATE item SET held = 0 WHERE sku = 'P3'",
        mended: "UPDATE item SET held = 1 WHERE sku = 'P3'",
        found: &["3 item # (P3) held: 1 → 0"],
    },
    Break {
        broken: "UPDATE item SET held = 2 WHERE sku = 'P3'",
        mended: "UPDATE item SET held = 1 WHERE sku = 'P3'",
        found: &["1 item # (P3) held: 1 → 2", "3 item # (P3) held: 1 → 2"],
    },
    Break {
        broken: "UPDATE item SET on_hand = -1 WHERE sku = 'P4'",
        mended: "UPDATE item SET on_hand = 0 WHERE sku = 'P4'",
        found: &[
            "1 item # (P4) on hand: 0 → -1",
            "1 item # (P4) held: -1 → 0",
            "2 item # (P4) made: 0 → 1",
            "3 item # (P4) on hand: 0 → -1",
        ],
    },
    Break {
        broken: "UPDATE item SET made = made + 1 WHERE sku = 'KIT'",
        mended: "UPDATE item SET made = made - 1 WHERE sku = 'KIT'",
        found: &["2 item # (KIT) made: 100 → 101", "2 item # (KIT) made: 100 → 101"],
    },
    Break {
        broken: "UPDATE item SET sold = 2, made = 2 WHERE sku = 'P4'",
        mended: "UPDATE item SET sold = 1, made = 1 WHERE sku = 'P4'",
        found: &[
            "2 item # (P4) sold less put back: 1 → 2",
            "2 item # (P4) made: 1 → 2",
            "2 item # (P4) sold: 1 → 2",
            "2 item # (P4) sold: 1 → 2",
        ],
    },
    Break {
        broken: "UPDATE item SET sold = sold + 1, put_back = put_back + 1 WHERE sku = 'ROV'",
        mended: "UPDATE item SET sold = sold - 1, put_back = put_back - 1 WHERE sku = 'ROV'",
        found: &[
            "2 item # (ROV) sold: 4500 → 4501",
            "2 item # (ROV) put back: 0 → 1",
            "2 item # (ROV) sold: 4500 → 4501",
            "2 item # (ROV) put back: 0 → 1",
        ],
    },
    Break {
        broken: "UPDATE printed_tag SET mass = -1",
        mended: "UPDATE printed_tag SET mass = 0",
        found: &["- item # (P3) weight: 0 → -1"],
    },
    Break {
        broken: "UPDATE item SET removed = 1 WHERE sku = 'P5'",
        mended: "UPDATE item SET removed = 0 WHERE sku = 'P5'",
        found: &["- item # (P5) removed: no → yes"],
    },
    Break {
        broken: "UPDATE stock_entry SET reason = 'put-back' WHERE reason = 'made' AND item_id = (SELECT id FROM item WHERE sku = 'P5')",
        mended: "UPDATE stock_entry SET reason = 'made' WHERE reason = 'put-back' AND item_id = (SELECT id FROM item WHERE sku = 'P5')",
        found: &["2 item # (P5) made: 0 → 1", "2 item # (P5) put back: 1 → 0"],
    },
    Break {
        broken: "UPDATE stock_entry SET reason = 'damage' WHERE reason = 'sold' AND item_id = (SELECT id FROM item WHERE sku = 'P4')",
        mended: "UPDATE stock_entry SET reason = 'sold' WHERE reason = 'damage'",
        found: &["2 item # (P4) sold: 0 → 1", "2 item # (P4) written off: 1 → 0"],
    },
    Break {
        broken: "UPDATE stock_entry SET change = -2 WHERE reason = 'gift'",
        mended: "UPDATE stock_entry SET change = -1 WHERE reason = 'gift'",
        found: &["2 item # (KIT) written off: 2 → 1", "3 item # (KIT) on hand: 95 → 96"],
    },
    Break {
        broken: "UPDATE return_decision SET disposition = 'shelf' WHERE disposition = 'written-off'",
        mended: "UPDATE return_decision SET disposition = 'written-off' WHERE refund_line_id = (SELECT rl.id FROM refund_line rl JOIN sale_line l ON l.id = rl.sale_line_id WHERE l.code = 'P1')",
        found: &["2 item # (P1) put back: 1 → 0", "3 2026-06-15 on store cost: 22.00 → 26.00"],
    },
    Break {
        broken: "UPDATE sale_line SET code = 'P4' WHERE code = 'OLD'",
        mended: "UPDATE sale_line SET code = 'OLD' WHERE code = 'P4' AND item_id IS NULL",
        found: &["2 item # (P4) past sale lines with its code: 0 → 1"],
    },
    Break {
        broken: "UPDATE hold SET state = 'ended', ended_ms = 1 WHERE customer_id = (SELECT id FROM person_data WHERE name = 'Ash')",
        mended: "UPDATE hold SET state = 'open', ended_ms = NULL WHERE customer_id = (SELECT id FROM person_data WHERE name = 'Ash')",
        found: &["3 item # (P3) held: 0 → 1"],
    },
    Break {
        broken: "UPDATE sale_line SET title = '' WHERE code = 'P4'",
        mended: "UPDATE sale_line SET title = 'Thing P4' WHERE code = 'P4'",
        found: &["6 sale line # (P4) has a title: yes → no"],
    },
    Break {
        broken: "UPDATE sale_line SET rate = rate + 1000000 WHERE code = 'P1'",
        mended: "UPDATE sale_line SET rate = rate - 1000000 WHERE code = 'P1'",
        found: &["6 sale line # (P1) a sale line's rule gives another price: 54.00 → 48.00"],
    },
    Break {
        broken: "UPDATE sale_line SET code = '' WHERE code = 'P4'",
        mended: "UPDATE sale_line SET code = 'P4' WHERE code = '' AND title = 'Thing P4'",
        found: &["6 sale line # has a code: yes → no"],
    },
    Break {
        broken: "UPDATE listing SET revision = revision + 100 WHERE item_id = (SELECT id FROM item WHERE sku = 'P5')",
        mended: "UPDATE listing SET revision = revision - 100 WHERE item_id = (SELECT id FROM item WHERE sku = 'P5')",
        found: &["- item # (P5) revision: 1 → 101"],
    },
    Break {
        broken: "UPDATE outbox SET revision = revision + 100 WHERE connection_id = 1 AND item_id = (SELECT id FROM item WHERE sku = 'KIT')",
        mended: "UPDATE outbox SET revision = revision - 100 WHERE connection_id = 1 AND item_id = (SELECT id FROM item WHERE sku = 'KIT')",
        found: &["- item # (KIT) revision: 9 → 109"],
    },
    Break {
        broken: "UPDATE code SET code = 'P9' WHERE code = 'P5'",
        mended: "UPDATE code SET code = 'P5' WHERE code = 'P9'",
        found: &["- item # (P5) a code does not find its item: P5 finds it → it does not"],
    },
    Break {
        broken: "UPDATE code SET item_id = (SELECT id FROM item WHERE sku = 'P5') WHERE code = '09521234543213'",
        mended: "UPDATE code SET item_id = (SELECT id FROM item WHERE gtin IS NOT NULL) WHERE code = '09521234543213'",
        found: &[
            "- item # (2000000000022) a code does not find its item: 09521234543213 finds it → it does not",
        ],
    },
];

#[tokio::test]
async fn broken_stock_is_found() {
    check(STOCK).await;
}

const DAYS: &[Break] = &[
    Break {
        broken: "UPDATE day_total SET gross = gross + 1 WHERE channel = 'store'",
        mended: "UPDATE day_total SET gross = gross - 1 WHERE channel = 'store'",
        found: &["3 2026-06-15 on store gross: 97.50 → 97.51"],
    },
    Break {
        broken: "UPDATE day_total SET month = 202605 WHERE channel = 'store'",
        mended: "UPDATE day_total SET month = 202606 WHERE channel = 'store'",
        found: &["3 2026-06-15 on store month: 202606 → 202605"],
    },
    Break {
        broken: "INSERT INTO day_total VALUES (20260601, 'fair', 202606, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0)",
        mended: "DELETE FROM day_total WHERE channel = 'fair'",
        found: &["3 2026-06-01 on fair sales: 0 → 1"],
    },
    Break {
        broken: "UPDATE sale SET at_ms = at_ms + 86400000 WHERE receipt = 2",
        mended: "UPDATE sale SET at_ms = at_ms - 86400000 WHERE receipt = 2",
        found: &[
            "3 2026-06-15 on store sales: 1 → 2",
            "3 2026-06-15 on store units: 1 → 2",
            "3 2026-06-15 on store weight: 0 → 1020582832500",
            "3 2026-06-15 on store gross: 84.00 → 97.50",
            "3 2026-06-15 on store cost: 8.00 → 26.00",
            "3 2026-06-16 on store sales: 1 → 0",
            "3 2026-06-16 on store units: 1 → 0",
            "3 2026-06-16 on store weight: 1020582832500 → 0",
            "3 2026-06-16 on store gross: 13.50 → 0.00",
            "3 2026-06-16 on store cost: 18.00 → 0.00",
        ],
    },
    Break {
        broken: "UPDATE sale_line SET kind = 'loan' WHERE code = 'OLD'",
        mended: "UPDATE sale_line SET kind = 'goods' WHERE code = 'OLD'",
        found: &[
            "3 books the sales and refunds cannot be summed: values that can be → sale_line.kind: unknown",
            "4 sale # (past) goods: 0.00 → 76.00",
            "4 sale # (past) gift certificates and deposits: 76.00 → 0.00",
            "- sale_line.kind a code that this program does not know: a code of this program's lists → loan in 1 row",
        ],
    },
];

/// The schema does not repeat the lists of codes, so `check` knows them.
const CODES: &[Break] = &[
    Break {
        broken: "UPDATE tender SET kind = 'shells' WHERE kind = 'card'",
        mended: "UPDATE tender SET kind = 'card' WHERE kind = 'shells'",
        found: &[
            "- tender.kind a code that this program does not know: a code of this program's lists → shells in 1 row",
        ],
    },
    Break {
        broken: "UPDATE feed_run SET kind = 'lost' WHERE kind = 'changes'",
        mended: "UPDATE feed_run SET kind = 'changes' WHERE kind = 'lost'",
        found: &[
            "- feed_run.kind a code that this program does not know: a code of this program's lists → lost in 1 row",
        ],
    },
];

#[tokio::test]
async fn a_code_that_the_program_does_not_know_is_found() {
    check(CODES).await;
}

#[tokio::test]
async fn broken_days_are_found() {
    check(DAYS).await;
}
