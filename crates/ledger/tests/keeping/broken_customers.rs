//! Customers, damaged behind the ledger's back. In the full shop Cleo Marsh has terms; Dan Sedge was erased, and his
//! certificate is kept.

use crate::breaking::{Break, check};

const CUSTOMERS: &[Break] = &[
    Break {
        broken: "UPDATE person_data SET note = 'back' WHERE erased_ms IS NOT NULL",
        mended: "UPDATE person_data SET note = '' WHERE erased_ms IS NOT NULL",
        found: &["- personal data # empty: yes → no"],
    },
    Break {
        broken: "UPDATE open_balance SET customer_id = customer_id + 1",
        mended: "UPDATE open_balance SET customer_id = customer_id - 1",
        found: &["- tender # the same payer: yes → no"],
    },
    Break {
        broken: "UPDATE activity SET customer_id = customer_id + 1 WHERE act = 'customer-erased'",
        mended: "UPDATE activity SET customer_id = customer_id - 1 WHERE act = 'customer-erased'",
        found: &["- entry # there: yes → no"],
    },
    Break {
        broken: "UPDATE customer SET wholesale = 1 WHERE kept_id IS NOT NULL",
        mended: "UPDATE customer SET wholesale = 0 WHERE kept_id IS NOT NULL",
        found: &["- customer # without terms: yes → no"],
    },
    Break {
        broken: "UPDATE customer SET certificate = '' WHERE kept_id IS NOT NULL",
        mended: "UPDATE customer SET certificate = 'NY-4' WHERE kept_id IS NOT NULL",
        found: &["- customer # with a name if the certificate is kept: no → yes"],
    },
];

#[tokio::test]
async fn broken_customers_are_found() {
    check(CUSTOMERS).await;
}
