//! The same sale by `pgbench`, PostgreSQL's own load generator, as a custom script.

use crate::bare::{Sample, first_id, now_ms};
use crate::counters::HANDED_OVER_MINOR;
use crate::goods::FIRST_SKU;
use crate::program::run_other;
use crate::shop::{Shop, Shops};
use crate::trouble::{BenchError, Trying};
use std::fs;

/// A sale of one line with a key, statement by statement as the program sends it to PostgreSQL. Each client has
/// its own range of pieces. Casts stand where the program binds a typed value.
const SCRIPT: &str = r"\set n :n + 1
\set piece :client_id * :pieces_each + :n - 1
\set sku :first_sku + :piece
\set id :first_id + :piece * 8
\set entry :id + 1
\set line :id + 2
\set tender :id + 3
BEGIN;
INSERT INTO idempotency_key (scope, key, body_hash, answer, made_ms) VALUES (:scope, :sku, :hash, NULL, :now) ON CONFLICT DO NOTHING;
SELECT c.code, i.id, i.kind, i.stock_unit, i.sku, i.name, i.price, i.cost, CASE WHEN i.kind = 'piece' AND EXISTS (SELECT 1 FROM code k JOIN sale_line l ON l.code = k.code WHERE k.item_id = i.id AND l.item_id IS NULL AND l.code <> '') THEN 1 ELSE 0 END AS backfilled, i.weight, i.weight_unit, i.extras, i.priced_by, s.rate, s.rate_unit, s.ending, s.minimum FROM code c JOIN item i ON i.id = c.item_id LEFT JOIN style s ON s.id = i.style_id WHERE c.code IN (:sku) \gset f_
\set change :handed_over - :f_price
UPDATE item SET on_hand = on_hand - CAST(:one AS BIGINT), held = held - CAST(:zero AS BIGINT), sold = sold + CAST(:one AS BIGINT), revision = revision + 1 WHERE id = :f_id AND held >= CAST(:zero AS BIGINT) AND on_hand - held >= CAST(:one AS BIGINT) - CAST(:zero AS BIGINT);
INSERT INTO stock_entry (id, item_id, change, reason, source_id, note, who, at_ms) VALUES (:entry, :f_id, -1, 'sold', :id, '', '', :now);
INSERT INTO outbox (connection_id, item_id, revision) SELECT l.connection_id, i.id, i.revision FROM listing l JOIN item i ON i.id = l.item_id WHERE i.id IN (:f_id) ON CONFLICT DO NOTHING;
UPDATE shop_state SET receipt = receipt + CAST(:one AS BIGINT) WHERE id = 1 RETURNING receipt, settings_revision \gset r_
INSERT INTO sale (id, channel, receipt, at_ms, backfilled, order_id, goods, not_revenue, discounts, tax, shipping, rounding, tendered, change_given, fee, note, who) VALUES (:id, 'store', :r_receipt, :now, 0, NULL, :f_price, 0, 0, 0, 0, 0, :handed_over, :change, 0, '', '');
INSERT INTO sale_line (id, sale_id, position, kind, item_id, code, title, stock_units, unit, price, amount, discount, tax, cost, weight, weight_unit) VALUES (:line, :id, 1, 'goods', :f_id, :f_sku, :f_name, 1, '', :f_price, :f_price, 0, 0, :f_cost, :f_weight, :f_weight_unit);
INSERT INTO tender (id, sale_id, refund_id, kind, amount, customer, due_day) VALUES (:tender, :id, NULL, 'cash', :handed_over, '', NULL);
INSERT INTO day_total (day, channel, month, sales, units, weight, gross, discounts, refunds, shipping, tax, fees, postage, cost, uncosted, rounding) VALUES (:day, 'store', :month, 1, 1, 0, :f_price, 0, 0, 0, 0, 0, 0, :f_cost, 0, 0) ON CONFLICT (day, channel) DO UPDATE SET sales = day_total.sales + excluded.sales, units = day_total.units + excluded.units, weight = day_total.weight + excluded.weight, gross = day_total.gross + excluded.gross, discounts = day_total.discounts + excluded.discounts, refunds = day_total.refunds + excluded.refunds, shipping = day_total.shipping + excluded.shipping, tax = day_total.tax + excluded.tax, fees = day_total.fees + excluded.fees, postage = day_total.postage + excluded.postage, cost = day_total.cost + excluded.cost, uncosted = day_total.uncosted + excluded.uncosted, rounding = day_total.rounding + excluded.rounding;
UPDATE idempotency_key SET answer = :answer WHERE scope = :scope AND key = :sku;
COMMIT;
";

/// One `pgbench` run.
pub(crate) struct Load {
    pub(crate) clients: u32,
    /// Sales of each client, which is also the number of its pieces.
    pub(crate) sales_each: u32,
}

impl Load {
    /// Runs it on a shop; returns the sales per second, without the time for connecting.
    pub(crate) fn run(&self, shops: &Shops, shop: &Shop, sample: &Sample) -> Result<f64, BenchError> {
        let server = shops.postgres()?;
        let script = shops.file("sale.pgbench");
        fs::write(&script, SCRIPT).trying("writing pgbench's script")?;
        let day = shops.number(shop, "SELECT to_char(now() AT TIME ZONE 'UTC', 'YYYYMMDD')")?;
        let now = now_ms();
        let variables = [
            ("n", 0),
            ("zero", 0),
            ("one", 1),
            ("pieces_each", i64::from(self.sales_each)),
            ("first_sku", i64::try_from(FIRST_SKU).unwrap_or(0)),
            ("first_id", first_id(now)),
            ("now", now),
            ("day", day),
            ("month", day / 100),
            ("handed_over", HANDED_OVER_MINOR),
        ];
        let mut command = server.tool("pgbench");
        command.args(["-n", "-M", "prepared", "-j", "2", "-c", &self.clients.to_string()]);
        command.args(["-t", &self.sales_each.to_string(), "-f"]).arg(&script);
        for (name, value) in variables {
            command.args(["-D", &format!("{name}={value}")]);
        }
        for (name, value) in
            [("scope", &sample.scope), ("hash", &sample.body_hash), ("answer", &sample.answer)]
        {
            command.args(["-D", &format!("{name}={value}")]);
        }
        command.arg(&shop.url);
        let printed = run_other(&mut command, "pgbench")?;
        let line = printed.lines().find_map(|line| line.strip_prefix("tps = "));
        line.and_then(|line| line.split(' ').next()?.parse().ok())
            .ok_or_else(|| BenchError::Unexpected(format!("pgbench printed no rate: {printed}")))
    }
}
