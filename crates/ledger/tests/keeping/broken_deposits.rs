//! Deposits and custom orders, damaged behind the ledger's back.

use crate::breaking::{Break, check_after};
use crate::full_shop::promises;

const PROMISES: &[Break] = &[
    Break {
        broken: "UPDATE account SET balance = balance + 1 WHERE custom_order IS NOT NULL",
        mended: "UPDATE account SET balance = balance - 1 WHERE custom_order IS NOT NULL",
        found: &["4 account # (deposit) balance: 5.00 → 5.01"],
    },
    Break {
        broken: "UPDATE account SET customer_id = customer_id + 1 WHERE hold_group IS NOT NULL",
        mended: "UPDATE account SET customer_id = customer_id - 1 WHERE hold_group IS NOT NULL",
        found: &["4 sale # (receipt 8) customer: # → #", "- deposit # customer: # → #"],
    },
    Break {
        broken: "UPDATE account SET hold_group = 1 WHERE hold_group IS NOT NULL",
        mended: "UPDATE account SET hold_group = (SELECT MIN(h.group_id) FROM hold h \
            WHERE h.customer_id = account.customer_id) WHERE hold_group IS NOT NULL",
        found: &["- deposit # customer: # → none"],
    },
    Break {
        broken: "UPDATE tender SET kind = 'card' WHERE kind = 'deposit'",
        mended: "UPDATE tender SET kind = 'deposit' WHERE kind = 'card' AND sale_id IN (SELECT sale_id FROM custom_order)",
        found: &["4 sale # (receipt 10) taken off deposits: 0.00 → 15.00"],
    },
    Break {
        broken: "UPDATE account_entry SET reason = 'gone' WHERE reason = 'spent'",
        mended: "UPDATE account_entry SET reason = 'spent' WHERE reason = 'gone'",
        found: &[
            "4 sale # (receipt 10) taken off deposits: 15.00 → 0.00",
            "- account_entry.reason a code that this program does not know: a code of this program's lists → gone in 1 row",
        ],
    },
    Break {
        broken: "UPDATE custom_order SET item_id = (SELECT id FROM item WHERE sku = 'P3') WHERE state = 'collected'",
        mended: "UPDATE custom_order SET item_id = (SELECT l.item_id FROM sale_line l WHERE l.sale_id = custom_order.sale_id) \
            WHERE state = 'collected'",
        found: &["- custom order # sold in it: yes → no", "- custom order # item: # → #"],
    },
    Break {
        broken: "UPDATE custom_order SET state = 'lost' WHERE state = 'collected'",
        mended: "UPDATE custom_order SET state = 'collected' WHERE state = 'lost'",
        found: &[
            "- custom_order.state a code that this program does not know: a code of this program's lists → lost in 1 row",
        ],
    },
];

#[tokio::test]
async fn broken_deposits_and_custom_orders_are_found() {
    check_after(PROMISES, promises).await;
}
