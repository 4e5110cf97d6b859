//! The laws, checked on the tables themselves, bypassing the ledger.

use crate::harness::Shop;
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use ledger::keeping::SetShop;
use sqlx::{AssertSqlSafe, Row};

/// Each selects violations of a law; all must find nothing.
const BREACHES: &[(&str, &str)] = &[
    (
        "law 1: 0 <= held <= on hand, a piece at most once",
        "SELECT id FROM item WHERE on_hand < 0 OR held < 0 OR held > on_hand OR (kind = 'piece' AND on_hand > 1)",
    ),
    (
        "law 2: made = on hand + drawn + sold - put back + written off; a piece is out at most once",
        "SELECT id FROM item WHERE made <> on_hand + drawn + sold - put_back + written_off \
         OR (kind = 'piece' AND sold - put_back > 1)",
    ),
    (
        "law 3: entries sum to the stock on hand",
        "SELECT i.id FROM item i LEFT JOIN stock_entry e ON e.item_id = i.id GROUP BY i.id, i.on_hand \
         HAVING i.on_hand <> COALESCE(SUM(e.change), 0)",
    ),
    (
        "law 3: open holds sum to what is held",
        "SELECT i.id FROM item i LEFT JOIN hold h ON h.item_id = i.id AND h.state = 'open' GROUP BY i.id, i.held \
         HAVING i.held <> COALESCE(SUM(h.stock_units), 0)",
    ),
    (
        "law 3: the entries of each counter sum to it",
        "SELECT i.id FROM item i WHERE i.sold <> (SELECT COALESCE(-SUM(e.change), 0) FROM stock_entry e \
            WHERE e.item_id = i.id AND e.reason = 'sold') \
         OR i.put_back <> (SELECT COALESCE(SUM(e.change), 0) FROM stock_entry e \
            WHERE e.item_id = i.id AND e.reason IN ('put-back', 'voided')) \
         OR i.written_off <> (SELECT COALESCE(-SUM(e.change), 0) FROM stock_entry e \
            WHERE e.item_id = i.id AND (e.reason IN ('damage', 'gift', 'own-use', 'mistake') OR (e.reason = 'count' AND e.change < 0)))",
    ),
    (
        "law 4: lines add up to their sale",
        "SELECT s.id FROM sale s JOIN sale_line l ON l.sale_id = s.id \
         GROUP BY s.id, s.goods, s.not_revenue, s.discounts, s.tax \
         HAVING s.goods + s.not_revenue <> SUM(l.amount) OR s.discounts <> SUM(l.discount) OR s.tax <> SUM(l.tax)",
    ),
    (
        "law 4: tenders add up to their sale",
        "SELECT s.id FROM sale s LEFT JOIN tender t ON t.sale_id = s.id GROUP BY s.id, s.tendered \
         HAVING s.tendered <> COALESCE(SUM(t.amount), 0)",
    ),
    (
        "law 4: lines and tenders add up to their refund",
        "SELECT r.id FROM refund r WHERE r.tendered <> (SELECT COALESCE(SUM(t.amount), 0) FROM tender t \
            WHERE t.refund_id = r.id) \
         OR r.goods <> (SELECT COALESCE(SUM(l.amount), 0) FROM refund_line l WHERE l.refund_id = r.id) \
         OR r.discounts <> (SELECT COALESCE(SUM(l.discount), 0) FROM refund_line l WHERE l.refund_id = r.id) \
         OR r.tax <> (SELECT COALESCE(SUM(l.tax), 0) FROM refund_line l WHERE l.refund_id = r.id)",
    ),
    (
        "law 9: the counters beside a line are the sums of its refunds, and never more than was sold",
        "SELECT l.id FROM sale_line l LEFT JOIN line_refunded b ON b.sale_line_id = l.id \
         LEFT JOIN refund_line r ON r.sale_line_id = l.id \
         GROUP BY l.id, l.stock_units, l.amount, l.discount, l.tax, b.stock_units, b.amount, b.discount, b.tax \
         HAVING COALESCE(b.stock_units, 0) <> COALESCE(SUM(r.stock_units), 0) \
         OR COALESCE(b.amount, 0) <> COALESCE(SUM(r.amount), 0) \
         OR COALESCE(b.discount, 0) <> COALESCE(SUM(r.discount), 0) \
         OR COALESCE(b.tax, 0) <> COALESCE(SUM(r.tax), 0) \
         OR COALESCE(b.stock_units, 0) > l.stock_units OR COALESCE(b.amount, 0) > l.amount \
         OR (b.stock_units = l.stock_units AND (b.amount <> l.amount OR b.discount <> l.discount OR b.tax <> l.tax))",
    ),
    (
        "no sale is both voided and refunded or paid",
        "SELECT v.sale_id FROM sale_void v WHERE EXISTS (SELECT 1 FROM refund r WHERE r.sale_id = v.sale_id) \
         OR EXISTS (SELECT 1 FROM open_balance o WHERE o.sale_id = v.sale_id AND o.paid > 0)",
    ),
    (
        "what was paid of a debt is the sum of its payments",
        "SELECT o.tender_id FROM open_balance o LEFT JOIN payment p ON p.tender_id = o.tender_id \
         GROUP BY o.tender_id, o.paid HAVING o.paid <> COALESCE(SUM(p.amount), 0)",
    ),
    (
        "receipts are consecutive",
        "SELECT id FROM shop_state WHERE receipt <> (SELECT COUNT(*) FROM sale WHERE receipt IS NOT NULL) \
         OR receipt <> (SELECT COALESCE(MAX(receipt), 0) FROM sale)",
    ),
];

/// Asserts every law on a shop, and that its day totals are the sums of its entries.
pub(crate) async fn clean(shop: &Shop) {
    let mut raw = shop.raw().await;
    for (law, statement) in BREACHES {
        let broken: Vec<i64> = sqlx::query_scalar(*statement).fetch_all(&mut *raw).await.unwrap();
        assert!(broken.is_empty(), "on {:?}, {law}: {broken:?}", shop.engine);
    }
    drop(raw);
    totals_are_sums(shop).await;
    let report = shop.ledger.check(|_| ()).await.unwrap();
    assert!(report.is_clean(), "on {:?}, check found {:?}", shop.engine, report.findings);
}

/// Changing the zone and back recomputes the totals from the entries: they must stay the same.
async fn totals_are_sums(shop: &Shop) {
    let zone = shop.ledger.refresh_shop().await.unwrap().zone.name().to_owned();
    let kept = by_day(shop).await;
    let elsewhere = if zone == "UTC" { "Europe/London" } else { "UTC" };
    for zone in [elsewhere, &zone] {
        shop.ok(SetShop { key: "zone".to_owned(), value: zone.to_owned(), who: "owner".to_owned() }).await;
    }
    assert_eq!(kept, by_day(shop).await, "on {:?}, law 3: day totals are the sums of entries", shop.engine);
}

async fn by_day(shop: &Shop) -> Vec<BooksRow> {
    let by = BooksBy { day: true, month: false, channel: true };
    let mut rows = shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
    // A day whose bookings cancel out has a row of zeros, or none after it was recomputed.
    rows.retain(|row| row.figures != domain::revenue::Figures::none(domain::money::Currency::USD));
    rows
}

/// Tables that a refused command must leave unchanged, with what shows a change in them.
const WATCHED: &[(&str, &str)] = &[
    ("item", "SUM(revision + on_hand * 7 + held * 13)"),
    ("stock_entry", "SUM(change)"),
    ("hold", "SUM(CASE WHEN state = 'open' THEN 1 ELSE 0 END)"),
    ("sale", "SUM(tendered)"),
    ("sale_line", "SUM(amount)"),
    ("tender", "SUM(amount)"),
    ("refund", "SUM(tendered)"),
    ("line_refunded", "SUM(stock_units + amount)"),
    ("sale_refunded", "SUM(shipping + refunds + voided)"),
    ("sale_void", "COUNT(*)"),
    ("return_decision", "COUNT(*)"),
    ("open_balance", "SUM(paid)"),
    ("payment", "SUM(amount)"),
    ("day_total", "SUM(gross + sales + refunds)"),
    ("outbox", "COUNT(*)"),
    ("listing", "SUM(revision)"),
    ("connection", "SUM(revision)"),
    ("connection_state", "SUM(sent + refused)"),
    ("delivery", "SUM(tries + dead_letter_revision + CASE WHEN holder = 0 THEN 0 ELSE 1 END)"),
    ("pull", "SUM(fails + CASE WHEN holder = 0 THEN 0 ELSE 1 END)"),
    ("deferred_order", "SUM(tries)"),
    ("hook_seen", "COUNT(*)"),
    ("difference", "SUM(CASE WHEN state = 'open' THEN 1 ELSE 0 END)"),
    ("style", "SUM(revision)"),
    ("code", "COUNT(*)"),
    ("stock_count", "SUM(scans)"),
    ("stock_count_line", "SUM(stock_units + booked)"),
    ("stock_count_unknown", "SUM(scans)"),
    ("setting", "COUNT(*)"),
    ("shop_state", "SUM(receipt + in_store + settings_revision)"),
];

/// Counts and sums of every table that commands write.
pub(crate) async fn fingerprint(shop: &Shop) -> Vec<(String, i64, i64)> {
    let parts: Vec<String> = WATCHED
        .iter()
        .map(|(table, sum)| {
            format!(
                "SELECT '{table}', CAST(COUNT(*) AS BIGINT), CAST(COALESCE({sum}, 0) AS BIGINT) FROM {table}"
            )
        })
        .collect();
    let mut raw = shop.raw().await;
    let rows = sqlx::query(AssertSqlSafe(parts.join(" UNION ALL "))).fetch_all(&mut *raw).await.unwrap();
    drop(raw);
    let mut print: Vec<_> = rows.iter().map(|row| (row.get(0), row.get(1), row.get(2))).collect();
    print.sort();
    print
}
