//! Sales, refunds, receipts and orders, each damaged behind the ledger's back.

use crate::breaking::{Break, check};

const MONEY: &[Break] = &[
    Break {
        broken: "UPDATE account SET balance = balance + 1",
        mended: "UPDATE account SET balance = balance - 1",
        found: &["4 account # (gift-certificate) balance: 25.00 → 25.01"],
    },
    Break {
        broken: "UPDATE account_entry SET amount = amount - 1",
        mended: "UPDATE account_entry SET amount = amount + 1",
        found: &[
            "4 account # (gift-certificate) balance: 24.99 → 25.00",
            "4 sale line # (Gift note) put on its account: 25.00 → 24.99",
        ],
    },
    Break {
        broken: "INSERT INTO account_entry SELECT 1, a.id, 'spent', -100, s.id, NULL, NULL, '', '', 1 FROM account a, sale s \
            WHERE s.receipt = 2",
        mended: "DELETE FROM account_entry WHERE id = 1",
        found: &[
            "4 account # (gift-certificate) balance: 24.00 → 25.00",
            "4 sale # (receipt 2) taken off gift certificates: 0.00 → 1.00",
        ],
    },
    Break {
        broken: "INSERT INTO account_entry SELECT 1, a.id, 'refund', 100, NULL, NULL, MIN(r.id), '', '', 1 \
            FROM account a, refund r GROUP BY a.id",
        mended: "DELETE FROM account_entry WHERE id = 1",
        found: &[
            "4 account # (gift-certificate) balance: 26.00 → 25.00",
            "4 refund # (of sale #) put on a gift certificate: 0.00 → 1.00",
        ],
    },
    Break {
        broken: "UPDATE sale SET goods = goods + 100000000000, tendered = tendered + 100000000000 WHERE receipt = 2",
        mended: "UPDATE sale SET goods = goods - 100000000000, tendered = tendered - 100000000000 WHERE receipt = 2",
        found: &[
            "4 sale # (receipt 2) goods: 13.50 → 1000000013.50",
            "4 sale # (receipt 2) tendered: 13.50 → 1000000013.50",
            "4 sale # (receipt 2) goods: 1000000000.00 → 1000000013.50",
            "4 sale # (receipt 2) tendered: 1000000000.00 → 1000000013.50",
        ],
    },
    Break {
        broken: "UPDATE sale_line SET stock_units = 1000001 WHERE code = 'P4'",
        mended: "UPDATE sale_line SET stock_units = 1 WHERE code = 'P4'",
        found: &[
            "2 item # (P4) sold: 1000001 → 1",
            "3 2026-06-15 on online units: 1000002 → 2",
            "4 sale line # (P4) quantity: 1000000 → 1000001",
            "8 order line # (P4) quantity: 1 → 1000001",
        ],
    },
    Break {
        broken: "UPDATE day_total SET gross = gross + 1000000000000000 WHERE channel = 'online'",
        mended: "UPDATE day_total SET gross = gross - 1000000000000000 WHERE channel = 'online'",
        found: &[
            "3 day 20260614 (online) gross: 10000000000000.00 → 10000000000076.00",
            "3 day 20260615 (online) gross: 10000000000000.00 → 10000000000152.00",
            "3 2026-06-14 on online gross: 76.00 → 10000000000076.00",
            "3 2026-06-15 on online gross: 152.00 → 10000000000152.00",
        ],
    },
    Break {
        broken: "UPDATE drawer_entry SET amount = amount + 1 WHERE kind = 'put-in'",
        mended: "UPDATE drawer_entry SET amount = amount - 1 WHERE kind = 'put-in'",
        found: &["4 drawer turn # (fair) expected: 51.01 → 51.00"],
    },
    Break {
        broken: "UPDATE drawer_turn SET expected = expected - 1",
        mended: "UPDATE drawer_turn SET expected = expected + 1",
        found: &[
            "4 drawer turn # (fair) expected: 51.00 → 50.99",
            "4 drawer turn # (fair) over or short: -0.99 → -1.00",
        ],
    },
    Break {
        broken: "UPDATE drawer_entry SET kind = 'float' WHERE kind = 'put-in'",
        mended: "UPDATE drawer_entry SET kind = 'put-in' WHERE kind = 'float' AND amount = 1000",
        found: &[
            "4 drawer turn # (fair) float: 51.00 → 41.00",
            "4 drawer turn # (fair) counts of the float: 1 → 2",
        ],
    },
    Break {
        broken: "UPDATE drawer_entry SET kind = 'sale', source_id = (SELECT id FROM sale WHERE receipt = 1) \
            WHERE kind = 'put-in'",
        mended: "UPDATE drawer_entry SET kind = 'put-in', source_id = NULL WHERE kind = 'sale'",
        found: &["4 sale # (sale of receipt 1) cash in the drawer: 114.10 → 10.00"],
    },
    Break {
        broken: "UPDATE drawer_entry SET kind = 'payment', source_id = (SELECT id FROM payment) WHERE kind = 'put-in'",
        mended: "UPDATE drawer_entry SET kind = 'put-in', source_id = NULL WHERE kind = 'payment'",
        found: &["4 drawer entry # (payment) cash in the drawer: 0.00 → 10.00"],
    },
    Break {
        broken: "UPDATE basket_step SET revision = 9",
        mended: "UPDATE basket_step SET revision = 1",
        found: &["5 slip # (open) earlier contents of an open sale: yes → no"],
    },
    Break {
        broken: "UPDATE approval SET approver = asker",
        mended: "UPDATE approval SET approver = 'Maud'",
        found: &["5 approval # (discount) by another person: yes → no"],
    },
    Break {
        broken: "UPDATE approval SET used_ms = expires_ms",
        mended: "UPDATE approval SET used_ms = NULL",
        found: &["5 approval # (discount) used within its minute, or not: yes → no"],
    },
    Break {
        broken: "UPDATE basket SET sale_id = (SELECT id FROM sale WHERE receipt = 1) WHERE state = 'left'",
        mended: "UPDATE basket SET sale_id = NULL WHERE state = 'left'",
        found: &["5 slip # (left) sale: none → #", "5 slip # (left) on the sale's channel: yes → no"],
    },
    Break {
        broken: "UPDATE sale SET goods = goods + 1 WHERE receipt = 2",
        mended: "UPDATE sale SET goods = goods - 1 WHERE receipt = 2",
        found: &[
            "4 sale # (receipt 2) goods: 13.50 → 13.51",
            "4 sale # (receipt 2) tendered less change: 13.51 → 13.50",
        ],
    },
    Break {
        broken: "UPDATE sale SET not_revenue = not_revenue - 1 WHERE receipt = 1",
        mended: "UPDATE sale SET not_revenue = not_revenue + 1 WHERE receipt = 1",
        found: &[
            "4 sale # (receipt 1) gift certificates and deposits: 25.00 → 24.99",
            "4 sale # (receipt 1) tendered less change: 114.09 → 114.10",
        ],
    },
    Break {
        broken: "UPDATE sale SET shipping = shipping + 1 WHERE receipt = 2",
        mended: "UPDATE sale SET shipping = shipping - 1 WHERE receipt = 2",
        found: &[
            "3 2026-06-15 on store shipping: 2.51 → 2.50",
            "4 sale # (receipt 2) tendered less change: 13.51 → 13.50",
            "9 sale # (receipt 2) shipping sold: 0.01 → 0.00",
        ],
    },
    Break {
        broken: "UPDATE sale_line SET discount = discount + 1, tax = tax + 1 WHERE code = 'P4'",
        mended: "UPDATE sale_line SET discount = discount - 1, tax = tax - 1 WHERE code = 'P4'",
        found: &[
            "3 2026-06-15 on online discounts: 3.26 → 3.25",
            "3 2026-06-15 on online tax: 1.51 → 1.50",
            "4 sale # (receipt 4) discounts: 1.76 → 1.75",
            "4 sale # (receipt 4) tax: 2.01 → 2.00",
            "8 order line # (P4) discount: 0.75 → 0.76",
            "8 order line # (P4) tax: 1.00 → 1.01",
        ],
    },
    Break {
        broken: "UPDATE tender SET amount = amount + 1 WHERE kind = 'on-account'",
        mended: "UPDATE tender SET amount = amount - 1 WHERE kind = 'on-account'",
        found: &[
            "4 sale # (receipt 2) tendered: 13.51 → 13.50",
            "4 tender # (Rowan Hill) owed: 13.51 → 13.50",
        ],
    },
    Break {
        broken: "UPDATE refund SET tendered = tendered + 1 WHERE shipping = 150",
        mended: "UPDATE refund SET tendered = tendered - 1 WHERE shipping = 150",
        found: &[
            "4 refund # (of sale #) tenders: 13.88 → 13.87",
            "4 refund # (of sale #) goods − discounts + tax + shipping + rounding: 13.88 → 13.87",
        ],
    },
    Break {
        broken: "UPDATE refund_line SET amount = amount + 1 WHERE refund_id = (SELECT refund_id FROM order_refund WHERE number = 'A1-R1')",
        mended: "UPDATE refund_line SET amount = amount - 1 WHERE refund_id = (SELECT refund_id FROM order_refund WHERE number = 'A1-R1')",
        found: &[
            "3 2026-06-15 on online refunds: 74.01 → 74.00",
            "4 refund # (of sale #) goods: 38.01 → 38.00",
            "9 sale line # (KIT) amount given back: 38.01 → 38.00",
        ],
    },
    Break {
        broken: "INSERT INTO return_decision (refund_line_id, disposition, at_ms, who) SELECT id, 'written-off', 1, '' FROM refund_line WHERE stock_units = 0",
        mended: "DELETE FROM return_decision WHERE refund_line_id = (SELECT id FROM refund_line WHERE stock_units = 0)",
        found: &["9 refund line # goods came back: no → yes"],
    },
    Break {
        broken: "UPDATE line_refunded SET amount = amount + 3500 WHERE sale_line_id = (SELECT sale_line_id FROM refund_line WHERE stock_units = 0)",
        mended: "UPDATE line_refunded SET amount = amount - 3500 WHERE sale_line_id = (SELECT sale_line_id FROM refund_line WHERE stock_units = 0)",
        found: &[
            "9 sale line # (OLD) amount given back: 40.52 → 75.52",
            "9 sale line # (OLD) discount left, at most the amount left: 0.48 → 0.70",
        ],
    },
    Break {
        broken: "UPDATE open_balance SET paid = paid + 1",
        mended: "UPDATE open_balance SET paid = paid - 1",
        found: &["4 tender # (Rowan Hill) paid: 5.00 → 5.01"],
    },
    Break {
        broken: "UPDATE payment SET amount = amount - 1",
        mended: "UPDATE payment SET amount = amount + 1",
        found: &["4 tender # (Rowan Hill) paid: 4.99 → 5.00"],
    },
    Break {
        broken: "UPDATE idempotency_key SET answer = NULL",
        mended: "UPDATE idempotency_key SET answer = '{}'",
        found: &["5 key counter POST /api/sales first has an answer: yes → no"],
    },
    Break {
        broken: "UPDATE sale SET receipt = 50 WHERE receipt = 2; UPDATE shop_state SET receipt = 50",
        mended: "UPDATE sale SET receipt = 2 WHERE receipt = 50; UPDATE shop_state SET receipt = (SELECT MAX(receipt) FROM sale)",
        found: &[
            "7 sale # (receipt 50) the receipt before is there: yes → no",
            "7 sale # (receipt 3) the receipt before is there: yes → no",
        ],
    },
    Break {
        broken: "UPDATE shop_state SET receipt = receipt + 1",
        mended: "UPDATE shop_state SET receipt = receipt - 1",
        found: &["7 shop 1 last receipt: 8 → 7"],
    },
    Break {
        broken: "UPDATE sale SET receipt = NULL WHERE receipt = 1",
        mended: "UPDATE sale SET receipt = 1 WHERE receipt IS NULL AND backfilled = 0",
        found: &[
            "7 sale # (no receipt) has a receipt: yes → no",
            "7 sale # (receipt 2) the receipt before is there: yes → no",
        ],
    },
    Break {
        broken: "UPDATE line_refunded SET stock_units = stock_units + 1 WHERE stock_units = 1 AND stock_units_sold = 1",
        mended: "UPDATE line_refunded SET stock_units = stock_units - 1 WHERE stock_units = 2 AND stock_units_sold = 1",
        found: &[
            "9 sale line # (P1) given back: 1 → 2",
            "9 sale line # (P1) given back, at most what was sold: 1 → 2",
            "9 sale line # (KIT) given back: 1 → 2",
            "9 sale line # (KIT) given back, at most what was sold: 1 → 2",
        ],
    },
    Break {
        broken: "UPDATE line_refunded SET amount = amount - 1 WHERE stock_units = 1 AND stock_units_sold = 1",
        mended: "UPDATE line_refunded SET amount = amount + 1 WHERE stock_units = 1 AND stock_units_sold = 1",
        found: &[
            "9 sale line # (P1) amount given back: 48.00 → 47.99",
            "9 sale line # (P1) amount given back, against what was sold: 48.00 → 47.99",
            "9 sale line # (KIT) amount given back: 38.00 → 37.99",
            "9 sale line # (KIT) amount given back, against what was sold: 38.00 → 37.99",
        ],
    },
    Break {
        broken: "UPDATE line_refunded SET tax_sold = tax_sold + 1 WHERE stock_units = 1 AND stock_units_sold = 1",
        mended: "UPDATE line_refunded SET tax_sold = tax_sold - 1 WHERE stock_units = 1 AND stock_units_sold = 1",
        found: &["9 sale line # (P1) tax sold: 0.00 → 0.01", "9 sale line # (KIT) tax sold: 1.00 → 1.01"],
    },
    Break {
        broken: "CREATE TABLE kept AS SELECT * FROM line_refunded; DELETE FROM line_refunded WHERE stock_units = 1 AND stock_units_sold = 1",
        mended: "DELETE FROM line_refunded; INSERT INTO line_refunded SELECT * FROM kept",
        found: &[
            "9 sale line # (P1) given back: 1 → 0",
            "9 sale line # (P1) amount given back: 48.00 → 0.00",
            "9 sale line # (P1) cost given back: 4.00 → 0.00",
            "9 sale line # (P1) sold: 1 → 0",
            "9 sale line # (P1) amount sold: 48.00 → 0.00",
            "9 sale line # (KIT) given back: 1 → 0",
            "9 sale line # (KIT) amount given back: 38.00 → 0.00",
            "9 sale line # (KIT) discount given back: 1.50 → 0.00",
            "9 sale line # (KIT) tax given back: 1.00 → 0.00",
            "9 sale line # (KIT) cost given back: 4.00 → 0.00",
            "9 sale line # (KIT) sold: 1 → 0",
            "9 sale line # (KIT) amount sold: 38.00 → 0.00",
            "9 sale line # (KIT) discount sold: 1.50 → 0.00",
            "9 sale line # (KIT) tax sold: 1.00 → 0.00",
        ],
    },
    Break {
        broken: "UPDATE sale_refunded SET shipping = 500 WHERE shipping = 150",
        mended: "UPDATE sale_refunded SET shipping = 150 WHERE shipping = 500",
        found: &[
            "9 sale # (receipt 1) shipping given back: 1.50 → 5.00",
            "9 sale # (receipt 1) shipping given back, at most what was sold: 4.00 → 5.00",
        ],
    },
    Break {
        broken: "UPDATE sale_refunded SET refunds = refunds + 1 WHERE shipping = 150",
        mended: "UPDATE sale_refunded SET refunds = refunds - 1 WHERE shipping = 150",
        found: &["9 sale # (receipt 1) refunds: 2 → 3"],
    },
    Break {
        broken: "UPDATE sale_refunded SET voided = 0 WHERE voided = 1",
        mended: "UPDATE sale_refunded SET voided = 1 WHERE sale_id = (SELECT sale_id FROM sale_void)",
        found: &["9 sale # (receipt 3) voided: yes → no"],
    },
    Break {
        broken: "UPDATE refund SET sale_id = (SELECT id FROM sale WHERE receipt = 2) WHERE shipping = 150",
        mended: "UPDATE refund SET sale_id = (SELECT id FROM sale WHERE receipt = 1) WHERE shipping = 150",
        found: &[
            "9 sale # (receipt 1) shipping given back: 0.00 → 1.50",
            "9 sale # (receipt 1) refunds: 1 → 2",
            "9 sale # (receipt 2) shipping given back: 1.50 → 0.00",
            "9 sale # (receipt 2) refunds: 1 → 0",
            "9 refund line # sale: # → #",
        ],
    },
    Break {
        broken: "INSERT INTO sale_void SELECT id, 1, '', '' FROM sale WHERE receipt = 1",
        mended: "DELETE FROM sale_void WHERE at_ms = 1",
        found: &[
            "2 item # (P1) put back: 1 → 0",
            "2 item # (KIT) put back: 6 → 3",
            "3 2026-06-15 on store sales: 1 → 2",
            "3 2026-06-15 on store units: -2 → 2",
            "3 2026-06-15 on store gross: 13.50 → 97.50",
            "3 2026-06-15 on store discounts: 0.00 → 1.00",
            "3 2026-06-15 on store shipping: -1.50 → 2.50",
            "3 2026-06-15 on store tax: -1.40 → 0.70",
            "3 2026-06-15 on store cost: 10.00 → 26.00",
            "4 sale # left on an account: 0.00 → 25.00",
            "9 sale # (receipt 1) voided: yes → no",
            "9 sale # (receipt 1) refunds of a voided sale: 0 → 2",
        ],
    },
];

#[tokio::test]
async fn broken_money_is_found() {
    check(MONEY).await;
}

const ORDERS: &[Break] = &[
    Break {
        broken: "UPDATE customer_order SET sale_id = NULL WHERE number = 'A1'",
        mended: "UPDATE customer_order SET sale_id = (SELECT id FROM sale WHERE order_id = customer_order.id) WHERE number = 'A1'",
        found: &["8 order # (A1) sale: # → none"],
    },
    Break {
        broken: "UPDATE sale SET order_id = NULL WHERE backfilled = 1",
        mended: "UPDATE sale SET order_id = (SELECT id FROM customer_order WHERE number = 'H1') WHERE backfilled = 1",
        found: &[
            "8 order # (H1) order of its sale: # → none",
            "8 order # (H1) order of the refund's sale: # → none",
            "8 order # (H1) order of the refund's sale: # → none",
        ],
    },
    Break {
        broken: "UPDATE customer_order SET channel = 'market' WHERE number = 'H1'",
        mended: "UPDATE customer_order SET channel = 'online' WHERE number = 'H1'",
        found: &["8 order # (H1) channel is the sale's: yes → no"],
    },
    Break {
        broken: "UPDATE order_line SET state = 'short' WHERE code = 'P4'",
        mended: "UPDATE order_line SET state = 'filled' WHERE code = 'P4'",
        found: &["8 order line # (P4) order of its sale: none → #"],
    },
    Break {
        broken: "UPDATE order_line SET state = 'filled' WHERE state = 'short'",
        mended: "UPDATE order_line SET state = 'short' WHERE state = 'filled' AND sale_line_id IS NULL",
        found: &["8 order line # (P3) order of its sale: # → none"],
    },
    Break {
        broken: "UPDATE order_line SET amount = amount + 1, stock_units = 2 WHERE code = 'P4'",
        mended: "UPDATE order_line SET amount = amount - 1, stock_units = 1 WHERE code = 'P4'",
        found: &[
            "8 order line # (P4) quantity: 2 → 1",
            "8 order line # (P4) amount: 38.01 → 38.00",
            "8 order # (A1 P4) quantity: 1 → 2",
            "8 order # (A1 P4) amount: 38.00 → 38.01",
        ],
    },
    Break {
        broken: "UPDATE order_line SET item_id = (SELECT id FROM item WHERE sku = 'P5') WHERE code = 'P4'",
        mended: "UPDATE order_line SET item_id = (SELECT id FROM item WHERE sku = 'P4') WHERE code = 'P4'",
        found: &[
            "8 order line # (P4) item: # → #",
            "8 order # (A1 P4) quantity: 1 → 0",
            "8 order # (A1 P4) amount: 38.00 → 0.00",
            "8 order # (A1 P4) discount: 0.75 → 0.00",
            "8 order # (A1 P4) tax: 1.00 → 0.00",
            "8 order # (A1 P5) quantity: 0 → 1",
            "8 order # (A1 P5) amount: 0.00 → 38.00",
            "8 order # (A1 P5) discount: 0.00 → 0.75",
            "8 order # (A1 P5) tax: 0.00 → 1.00",
        ],
    },
    Break {
        broken: "UPDATE order_line SET sale_line_id = NULL, state = 'undone' WHERE code = 'P4'",
        mended: "UPDATE order_line SET sale_line_id = (SELECT id FROM sale_line WHERE code = 'P4'), state = 'filled' WHERE code = 'P4'",
        found: &["8 order # (A1) lines of the sales: 1 → 2"],
    },
    Break {
        broken: "UPDATE customer_order SET status = 'OrderPaymentDue' WHERE number = 'A1'",
        mended: "UPDATE customer_order SET status = 'OrderProcessing' WHERE number = 'A1'",
        found: &[
            "8 order # (A1) shipping: 0.00 → 6.00",
            "8 order # (A1) filled lines of an unpaid order: 0 → 2",
        ],
    },
    Break {
        broken: "UPDATE customer_order SET status = 'OrderCancelled' WHERE number = 'A2'",
        mended: "UPDATE customer_order SET status = 'OrderPaymentDue' WHERE number = 'A2'",
        found: &["8 order # (A2) waiting lines of an order that is over: 0 → 1"],
    },
    Break {
        broken: "UPDATE order_line SET hold_id = NULL WHERE state = 'held'",
        mended: "UPDATE order_line SET hold_id = (SELECT id FROM hold WHERE purpose = 'order') WHERE state = 'held'",
        found: &["8 order line # (KIT) item held: # → none", "8 order line # (KIT) quantity held: 2 → 0"],
    },
    Break {
        broken: "UPDATE order_refund SET refund_id = (SELECT MIN(id) FROM refund) WHERE number = 'A1-R1'",
        mended: "UPDATE order_refund SET refund_id = (SELECT id FROM refund WHERE reason LIKE 'refund A1-R1%') WHERE number = 'A1-R1'",
        found: &["8 order # (A1) order of the refund's sale: # → none"],
    },
    Break {
        broken: "UPDATE line_decision SET amount = amount + 1 WHERE choice = 'refunded'",
        mended: "UPDATE line_decision SET amount = amount - 1 WHERE choice = 'refunded'",
        found: &["8 order line # (P3) amount sold instead or given back: 38.00 → 38.01"],
    },
    Break {
        broken: "UPDATE order_line SET stock_units = 2 WHERE id = (SELECT line_id FROM line_decision WHERE choice = 'substituted')",
        mended: "UPDATE order_line SET stock_units = 1 WHERE id = (SELECT line_id FROM line_decision WHERE choice = 'substituted')",
        found: &["8 order line # (P3) quantity sold instead: 2 → 1"],
    },
    Break {
        broken: "UPDATE order_line SET state = 'short' WHERE id = (SELECT line_id FROM line_decision WHERE choice = 'refunded')",
        mended: "UPDATE order_line SET state = 'undone' WHERE id = (SELECT line_id FROM line_decision WHERE choice = 'refunded')",
        found: &["8 order line # (P3) waits no more: yes → no"],
    },
    Break {
        broken: "UPDATE line_decision SET shipping = shipping + 1 WHERE choice = 'refunded'",
        mended: "UPDATE line_decision SET shipping = shipping - 1 WHERE choice = 'refunded'",
        found: &["9 order # (B2) shipping given back, at most what was charged: 6.00 → 6.01"],
    },
    Break {
        broken: "UPDATE order_state_item SET stock_units = stock_units + 1, amount = amount + 1, discount = discount + 2, tax = tax + 3 \
            WHERE item_id = (SELECT id FROM item WHERE sku = 'P4')",
        mended: "UPDATE order_state_item SET stock_units = stock_units - 1, amount = amount - 1, discount = discount - 2, tax = tax - 3 \
            WHERE item_id = (SELECT id FROM item WHERE sku = 'P4')",
        found: &[
            "8 order # (A1 P4) quantity: 2 → 1",
            "8 order # (A1 P4) amount: 38.01 → 38.00",
            "8 order # (A1 P4) discount: 0.77 → 0.75",
            "8 order # (A1 P4) tax: 1.03 → 1.00",
        ],
    },
    Break {
        broken: "UPDATE customer_order SET shipping = shipping + 1, fee = fee + 2 WHERE number = 'A1'",
        mended: "UPDATE customer_order SET shipping = shipping - 1, fee = fee - 2 WHERE number = 'A1'",
        found: &["8 order # (A1) shipping: 6.01 → 6.00", "8 order # (A1) fee: 2.22 → 2.20"],
    },
    Break {
        broken: "UPDATE order_fee SET amount = amount + 1",
        mended: "UPDATE order_fee SET amount = amount - 1",
        found: &["3 2026-06-15 on online fees: 2.51 → 2.50", "8 order # (A3) fee: 0.30 → 0.31"],
    },
    Break {
        broken: "UPDATE order_change SET order_id = (SELECT id FROM customer_order WHERE number = 'A1')",
        mended: "UPDATE order_change SET order_id = (SELECT id FROM customer_order WHERE number = 'A3')",
        found: &["8 refund # (refund) order of its sale: # → #"],
    },
];

#[tokio::test]
async fn broken_orders_are_found() {
    check(ORDERS).await;
}
