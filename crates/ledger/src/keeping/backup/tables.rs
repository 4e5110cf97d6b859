//! What is in a backup: every table and column of the schema, in the order in which rows can be
//! restored. A test compares this with the schema on both engines.

use crate::people::NO_PASSWORD;
use serde::{Deserialize, Serialize};

/// How a column's values are read, written and bound; NULLs need the type too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(super) enum Kind {
    #[serde(rename = "bigint")]
    Int,
    Text,
}

/// A table of the shop.
#[derive(Debug)]
pub(super) struct Table {
    pub(super) name: &'static str,
    pub(super) columns: &'static [(&'static str, Kind)],
    /// The positions of the primary key's columns.
    pub(super) key: &'static [usize],
    /// How many rows a fresh shop has.
    pub(super) fresh: i64,
    /// The positions of columns that are left out, each with the value to store instead: whoever finds
    /// a backup must not get people's secrets, even hashed.
    pub(super) withheld: &'static [(usize, Option<&'static str>)],
    /// All columns, for a statement.
    pub(super) list: &'static str,
    /// The beginning of the statement that writes rows.
    pub(super) insert: &'static str,
}

macro_rules! table {
    ($name:ident, key $key:expr, fresh $fresh:literal, $first:ident $kind:ident $(, $column:ident $kinds:ident)* $(,)?) => {
        Table {
            name: stringify!($name),
            columns: &[(stringify!($first), Kind::$kind) $(, (stringify!($column), Kind::$kinds))*],
            key: &$key,
            fresh: $fresh,
            withheld: &[],
            list: concat!(stringify!($first) $(, ", ", stringify!($column))*),
            insert: concat!(
                "INSERT INTO ", stringify!($name), " (", stringify!($first) $(, ", ", stringify!($column))*, ")"
            ),
        }
    };
}

impl Table {
    const fn without(self, withheld: &'static [(usize, Option<&'static str>)]) -> Self {
        Self { withheld, ..self }
    }
}

/// Referenced tables come first. Tables with rows in a fresh shop are emptied before their rows are
/// restored. Left out are `node_lease`, which belongs to running programs; `session`, `sign_in_try`,
/// `sign_in_step` and `known_browser`, which are short-lived (everybody signs in again); `device`,
/// whose rows say which browser is known (devices are registered again); `second_factor` and
/// `recovery_code`, so that no copy of the shop has a key from which codes are computed; and the
/// migrations' own table.
#[rustfmt::skip]
pub(super) static TABLES: &[Table] = &[
    table!(setting, key [0], fresh 0, name Text, value Text),
    table!(shop_state, key [0], fresh 1, id Int, receipt Int, in_store Int, settings_revision Int),
    table!(channel, key [0], fresh 4, code Text, name Text),
    table!(idempotency_key, key [0, 1], fresh 0, scope Text, key Text, body_hash Text, answer Text, made_ms Int,
        refused Int),
    table!(style, key [0], fresh 0,
        id Int, name Text, folded Text, rate Int, rate_unit Text, ending Text, minimum Int, sizes Text,
        category Text, revision Int, made_ms Int),
    table!(item, key [0], fresh 0,
        id Int, kind Text, sku Text, in_store Text, gtin Text, name Text, folded Text, style_id Int, color Text,
        size Text, material Text, description Text, image Text, weight Text, weight_unit Text, extras Int,
        for_sale Int, price Int, priced_by Text, cost Int, stock_unit Text, do_not_list Int, on_hand Int, held Int, made Int,
        drawn Int, sold Int, put_back Int, written_off Int, revision Int, made_ms Int, mass Int),
    table!(code, key [0], fresh 0, code Text, item_id Int),
    table!(picture, key [0], fresh 0,
        hash Text, width Int, height Int, bytes Int, lightness Int, who Text, at_ms Int),
    table!(piece_work, key [0], fresh 0,
        item_id Int, rows_made Int, minutes Int, note Text, price_reason Text, who Text, at_ms Int),
    table!(stock_entry, key [0], fresh 0,
        id Int, item_id Int, change Int, reason Text, source_id Int, note Text, who Text, at_ms Int),
    table!(hold, key [0], fresh 0,
        id Int, group_id Int, item_id Int, stock_units Int, purpose Text, for_whom Text, until_ms Int, state Text,
        made_ms Int, ended_ms Int, held_by Text),
    table!(customer_order, key [0], fresh 0,
        id Int, channel Text, number Text, body_hash Text, status Text, backfilled Int, ordered_ms Int, modified_ms Int,
        sale_id Int, discount Int, shipping Int, fee Int, customer_name Text, customer_email Text, revision Int,
        taken_ms Int, status_by Text),
    table!(sale, key [0], fresh 0,
        id Int, channel Text, receipt Int, at_ms Int, backfilled Int, order_id Int, goods Int, not_revenue Int,
        discounts Int, tax Int, shipping Int, rounding Int, tendered Int, change_given Int, fee Int, note Text,
        who Text),
    table!(sale_line, key [0], fresh 0,
        id Int, sale_id Int, position Int, kind Text, item_id Int, code Text, title Text, stock_units Int, unit Text,
        price Int, amount Int, discount Int, tax Int, cost Int),
    table!(sale_void, key [0], fresh 0, sale_id Int, at_ms Int, reason Text, who Text),
    table!(refund, key [0], fresh 0,
        id Int, sale_id Int, channel Text, at_ms Int, goods Int, discounts Int, tax Int, shipping Int, rounding Int,
        tendered Int, reason Text, who Text),
    table!(refund_line, key [0], fresh 0,
        id Int, refund_id Int, sale_line_id Int, stock_units Int, units Int, amount Int, discount Int, tax Int, cost Int),
    table!(return_decision, key [0], fresh 0, refund_line_id Int, disposition Text, at_ms Int, who Text),
    table!(line_refunded, key [0], fresh 0,
        sale_line_id Int, stock_units_sold Int, amount_sold Int, discount_sold Int, tax_sold Int, stock_units Int, amount Int,
        discount Int, tax Int, cost Int),
    table!(sale_refunded, key [0], fresh 0, sale_id Int, shipping_sold Int, shipping Int, refunds Int, voided Int),
    table!(tender, key [0], fresh 0,
        id Int, sale_id Int, refund_id Int, kind Text, amount Int, customer Text, due_day Int),
    table!(open_balance, key [0], fresh 0, tender_id Int, sale_id Int, customer Text, due_day Int, amount Int, paid Int),
    table!(payment, key [0], fresh 0, id Int, tender_id Int, kind Text, amount Int, at_ms Int, who Text),
    table!(basket, key [0], fresh 0,
        id Int, channel Text, revision Int, state Text, content Text, hold_group Int, sale_id Int, who Text,
        made_ms Int, changed_ms Int),
    table!(drawer_turn, key [0], fresh 0,
        id Int, channel Text, opened_ms Int, opened_by Text, opening_cash Int, expected Int, closed_ms Int,
        closed_by Text, counts Text, counted Int, difference Int, note Text),
    table!(drawer_entry, key [0], fresh 0,
        id Int, turn_id Int, kind Text, amount Int, source_id Int, reason Text, who Text, at_ms Int),
    table!(order_line, key [0], fresh 0,
        id Int, order_id Int, position Int, item_id Int, code Text, title Text, stock_units Int, unit Text, price Int,
        amount Int, discount Int, tax Int, state Text, hold_id Int, sale_line_id Int, for_item_id Int),
    table!(order_state_item, key [0, 1], fresh 0,
        order_id Int, item_id Int, stock_units Int, amount Int, discount Int, tax Int),
    table!(order_change, key [0], fresh 0, refund_id Int, order_id Int),
    table!(order_fee, key [0], fresh 0, id Int, order_id Int, channel Text, amount Int, at_ms Int, who Text),
    table!(line_decision, key [0], fresh 0,
        line_id Int, order_id Int, choice Text, new_line_id Int, amount Int, discount Int, tax Int, shipping Int,
        refund_number Text, reason Text, who Text, at_ms Int),
    table!(order_refund, key [0, 1], fresh 0, order_id Int, number Text, refund_id Int, at_ms Int),
    table!(connection, key [0], fresh 1,
        id Int, name Text, channel Text, text Text, revision Int, new_pieces Text, ended_ms Int,
        takes_orders Int),
    table!(connection_state, key [0], fresh 0,
        connection_id Int, saved_ms Int, filled_id Int, fill_due_ms Int, sent Int, refused Int, contact_ms Int,
        quiet_ms Int, quiet_asked Int, clock_ms Int, unsigned Int),
    table!(connection_problem, key [0, 1], fresh 0, connection_id Int, what Text, message Text, at_ms Int),
    table!(listing, key [0, 1], fresh 0,
        connection_id Int, item_id Int, state Text, revision Int, content_hash Text, other_id Text, told_ms Int,
        etag Text, mended Int),
    table!(outbox, key [1, 2, 0], fresh 0,
        connection_id Int, item_id Int, revision Int, state Text, rank Int, at_ms Int),
    table!(delivery, key [0, 1], fresh 0,
        connection_id Int, item_id Int, due_ms Int, tries Int, holder Int, lease_ms Int, dead_letter_revision Int,
        dead_letter_ms Int, message Text, clear_ms Int),
    table!(pull, key [0, 1], fresh 0,
        connection_id Int, what Text, place Text, since_ms Int, etag Text, fails Int, due_ms Int, holder Int,
        lease_ms Int, message Text, reread_ms Int),
    table!(hook_seen, key [0, 1], fresh 0, connection_id Int, message Text, at_ms Int),
    table!(deferred_order, key [0], fresh 0,
        id Int, connection_id Int, number Text, raw_hash Text, raw Text, message Text, tries Int, due_ms Int,
        holder Int, lease_ms Int, deferred_ms Int, field Text),
    table!(difference, key [0], fresh 0,
        id Int, connection_id Int, sku Text, item_id Int, field Text, ours Text, theirs Text, state Text, run Int,
        seen_ms Int),
    table!(feed_run, key [0], fresh 0,
        id Int, connection_id Int, at_ms Int, kind Text, listings Int, file_name Text, file_hash Text),
    table!(feed_run_item, key [0, 1], fresh 0, run_id Int, item_id Int),
    table!(intake, key [0, 1], fresh 0,
        hash Text, feed Text, file_name Text, rows_done Int, added Int, updated Int, unchanged Int, answer Text,
        at_ms Int),
    table!(intake_refused, key [0, 1, 2], fresh 0, hash Text, feed Text, row_number Int, refusal Text),
    table!(layout, key [0], fresh 0, name Text, text Text, revision Int, who Text, changed_ms Int),
    table!(listing_text, key [0], fresh 0, name Text, text Text, who Text, changed_ms Int),
    table!(feed_problem, key [0], fresh 0, id Int, at_ms Int, file Text, message Text, seen Int),
    table!(day_total, key [0, 1], fresh 0,
        day Int, channel Text, month Int, sales Int, units Int, weight Int, gross Int, discounts Int, refunds Int,
        shipping Int, tax Int, fees Int, postage Int, cost Int, uncosted Int, rounding Int),
    table!(person, key [0], fresh 0,
        id Int, name Text, folded Text, role Text, password Text, pin Text, made_ms Int, ended_ms Int,
        pin_failures Int)
        .without(&[(4, Some(NO_PASSWORD)), (5, None)]),
    table!(api_token, key [0], fresh 0,
        jti Text, name Text, folded Text, role Text, made_by Text, made_ms Int, until_ms Int, ended_ms Int),
    table!(caller_limit, key [0, 1], fresh 0, caller Text, name Text, value Text),
    table!(activity, key [0], fresh 0, id Int, at_ms Int, who Text, act Text, what Text, detail Text),
    table!(stock_count, key [0], fresh 0,
        id Int, scope Text, style_id Int, note Text, state Text, scans Int, begun_ms Int, begun_by Text, ended_ms Int,
        ended_by Text),
    table!(stock_count_line, key [0, 1], fresh 0,
        stock_count_id Int, item_id Int, stock_units Int, booked Int, mark Int, difference Int, left_message Text, who Text),
    table!(stock_count_unknown, key [0, 1], fresh 0, stock_count_id Int, code Text, scans Int, mark Int),
];
