//! Live connections, damaged behind the ledger's back. In the full shop SPARE was sent and is unchanged,
//! KIT was sent and has changed since, ROV is parked.

use crate::breaking::{Break, check};

const LIVE: &[Break] = &[
    Break {
        broken: "CREATE TABLE kept_state AS SELECT * FROM connection_state; DELETE FROM connection_state",
        mended: "INSERT INTO connection_state SELECT * FROM kept_state",
        found: &["- connection # (village) has a state: yes → no"],
    },
    Break {
        broken: "UPDATE listing SET revision = revision - 1 WHERE connection_id > 1 AND other_id = 'L-1' \
            AND item_id = (SELECT id FROM item WHERE sku = 'SPARE')",
        mended: "UPDATE listing SET revision = revision + 1 WHERE connection_id > 1 \
            AND item_id = (SELECT id FROM item WHERE sku = 'SPARE')",
        found: &["- item # (SPARE on village) waits or was told: yes → no"],
    },
    Break {
        broken: "UPDATE outbox SET revision = revision - 100 WHERE connection_id > 1 \
            AND item_id = (SELECT id FROM item WHERE sku = 'KIT')",
        mended: "UPDATE outbox SET revision = revision + 100 WHERE connection_id > 1 \
            AND item_id = (SELECT id FROM item WHERE sku = 'KIT')",
        found: &[
            "- item # (KIT on village) waits or was told: yes → no",
            "- item # (KIT on village) is news to the listing: yes → no",
        ],
    },
    Break {
        broken: "UPDATE listing SET revision = revision + 100 WHERE connection_id > 1 \
            AND item_id = (SELECT id FROM item WHERE sku = 'SPARE')",
        mended: "UPDATE listing SET revision = revision - 100 WHERE connection_id > 1 \
            AND item_id = (SELECT id FROM item WHERE sku = 'SPARE')",
        found: &["- item # (SPARE) revision: 3 → 103"],
    },
    Break {
        broken: "UPDATE delivery SET holder = 7",
        mended: "UPDATE delivery SET holder = 0",
        found: &["- item # (ROV on village) has an end if it is held: yes → no"],
    },
    Break {
        broken: "UPDATE delivery SET lease_ms = 7",
        mended: "UPDATE delivery SET lease_ms = 0",
        found: &["- item # (ROV on village) has an end if it is held: no → yes"],
    },
    Break {
        broken: "UPDATE delivery SET dead_letter_revision = dead_letter_revision + 100",
        mended: "UPDATE delivery SET dead_letter_revision = dead_letter_revision - 100",
        found: &["- item # (ROV on village) revision that is parked: 2 → 102"],
    },
    Break {
        broken: "UPDATE pull SET holder = 7",
        mended: "UPDATE pull SET holder = 0",
        found: &["- connection # (village orders) has an end if it is held: yes → no"],
    },
    Break {
        broken: "UPDATE deferred_order SET raw = '', raw_hash = '', lease_ms = 7",
        mended: "UPDATE deferred_order SET raw = '{}', raw_hash = 'x', lease_ms = 0",
        found: &[
            "- deferred order # (640) has a body: yes → no",
            "- deferred order # (640) has the mark of its body: yes → no",
            "- deferred order # (640) has an end if it is held: no → yes",
        ],
    },
    Break {
        broken: "UPDATE difference SET sku = 'KIT'",
        mended: "UPDATE difference SET sku = 'SPARE'",
        found: &["- difference # (KIT) is the item's code: yes → no"],
    },
];

#[tokio::test]
async fn every_break_of_a_live_connection_is_found() {
    check(LIVE).await;
}
