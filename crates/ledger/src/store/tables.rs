//! The tables and columns that a shop's data stands in, described once. Whole rows are written by these descriptions,
//! backups are made of them, and a test compares them with the schema on both engines.

use serde::{Deserialize, Serialize};

/// How a column's values are read, written and bound; NULLs need the type too.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub(crate) enum Kind {
    #[serde(rename = "bigint")]
    Int,
    Text,
}

/// A table of the shop.
#[derive(Debug)]
pub(crate) struct Table {
    pub(crate) name: &'static str,
    pub(crate) columns: &'static [(&'static str, Kind)],
    /// The positions of the primary key's columns.
    pub(crate) key: &'static [usize],
    /// How many rows a fresh shop has.
    pub(crate) fresh: i64,
    /// All columns, as a statement names them.
    pub(crate) list: &'static str,
    /// The head of the statement that writes whole rows, see [`super::sql::insert_rows`].
    pub(crate) insert: &'static str,
}

macro_rules! tables {
    ($($constant:ident = $name:ident, key $key:expr, fresh $fresh:literal,
        { $first:ident $kind:ident $(, $column:ident $kinds:ident)* })*) => {
        $(pub(crate) static $constant: Table = Table {
            name: stringify!($name),
            columns: &[(stringify!($first), Kind::$kind) $(, (stringify!($column), Kind::$kinds))*],
            key: &$key,
            fresh: $fresh,
            list: concat!(stringify!($first) $(, ", ", stringify!($column))*),
            insert: concat!(
                "INSERT INTO ", stringify!($name), " (", stringify!($first) $(, ", ", stringify!($column))*, ")"
            ),
        };)*
        /// All of them, in the order in which rows can be put back: referred ones first.
        pub(crate) static TABLES: &[&Table] = &[$(&$constant),*];
    };
}

// Not described, because no backup holds them: `node_lease` belongs to running programs; `session`, `sign_in_try`,
// `sign_in_step` and `known_browser` belong to the hour; `device` says which browser is known, and devices are enrolled
// anew; `second_factor` and `recovery_code` hold keys that codes are computed with; and the migrations' own table.
#[rustfmt::skip]
tables! {
    SETTING = setting, key [0], fresh 0,
        { name Text, value Text }
    SHOP_STATE = shop_state, key [0], fresh 1,
        { id Int, receipt Int, in_store Int, settings_revision Int }
    CHANNEL = channel, key [0], fresh 4,
        { code Text, name Text }
    IDEMPOTENCY_KEY = idempotency_key, key [0, 1], fresh 0,
        { scope Text, key Text, body_hash Text, answer Text, made_ms Int, refused Int }
    PERSON_DATA = person_data, key [0], fresh 0,
        { id Int, name Text, email Text, phone Text, note Text, folded Text, email_key Text, made_ms Int,
          erased_ms Int }
    CUSTOMER = customer, key [0], fresh 0,
        { id Int, wholesale Int, certificate Text, keep_until Int, discount Int, revision Int, made_by Text,
          changed_ms Int, kept_id Int }
    STYLE = style, key [0], fresh 0,
        { id Int, name Text, folded Text, rate Int, rate_unit Text, ending Text, minimum Int, sizes Text,
          category Text, care Text, revision Int, made_ms Int }
    ITEM = item, key [0], fresh 0,
        { id Int, kind Text, sku Text, in_store Text, gtin Text, style_id Int, name Text, description Text,
          color Text, size Text, material Text, brand Text, image Text, folded Text, weight Text, weight_unit Text, extras Int,
          for_sale Int, price Int, priced_by Text, cost Int, stock_unit Text, do_not_list Int, on_hand Int, held Int,
          made Int, drawn Int, sold Int, put_back Int, written_off Int, revision Int, made_ms Int, mass Int,
          removed Int }
    CODE = code, key [0], fresh 0,
        { code Text, item_id Int }
    PICTURE = picture, key [0], fresh 0,
        { hash Text, width Int, height Int, bytes Int, lightness Int, who Text, at_ms Int }
    PIECE_WORK = piece_work, key [0], fresh 0,
        { item_id Int, rows_made Int, minutes Int, note Text, price_reason Text, who Text, at_ms Int }
    PRINTED_TAG = printed_tag, key [0], fresh 0,
        { item_id Int, price Int, mass Int, name Text, size Text, material Text, care Text, who Text, at_ms Int }
    STOCK_ENTRY = stock_entry, key [0], fresh 0,
        { id Int, item_id Int, change Int, reason Text, source_id Int, note Text, who Text, at_ms Int }
    HOLD = hold, key [0], fresh 0,
        { id Int, group_id Int, item_id Int, stock_units Int, purpose Text, for_whom Text, until_ms Int, state Text,
          made_ms Int, ended_ms Int, held_by Text, customer_id Int }
    CUSTOMER_ORDER = customer_order, key [0], fresh 0,
        { id Int, channel Text, number Text, body_hash Text, status Text, backfilled Int, ordered_ms Int,
          modified_ms Int, sale_id Int, discount Int, shipping Int, fee Int, customer_id Int,
          revision Int, taken_ms Int, status_by Text }
    SALE = sale, key [0], fresh 0,
        { id Int, channel Text, receipt Int, at_ms Int, backfilled Int, order_id Int, goods Int, not_revenue Int,
          discounts Int, tax Int, shipping Int, rounding Int, tendered Int, change_given Int, fee Int, note Text,
          who Text, customer_id Int, wholesale Int, tax_exempt Int }
    SALE_LINE = sale_line, key [0], fresh 0,
        { id Int, sale_id Int, position Int, kind Text, item_id Int, code Text, title Text, stock_units Int,
          unit Text, price Int, amount Int, discount Int, tax Int, cost Int, weight Text, weight_unit Text, rate Int,
          rate_unit Text, ending Text, extras Int, minimum Int }
    SALE_VOID = sale_void, key [0], fresh 0,
        { sale_id Int, at_ms Int, reason Text, who Text }
    REFUND = refund, key [0], fresh 0,
        { id Int, sale_id Int, channel Text, at_ms Int, goods Int, discounts Int, tax Int, shipping Int, rounding Int,
          tendered Int, reason Text, who Text, paid_sale Int }
    REFUND_LINE = refund_line, key [0], fresh 0,
        { id Int, refund_id Int, sale_line_id Int, stock_units Int, units Int, amount Int, discount Int, tax Int,
          cost Int }
    RETURN_DECISION = return_decision, key [0], fresh 0,
        { refund_line_id Int, disposition Text, at_ms Int, who Text }
    LINE_REFUNDED = line_refunded, key [0], fresh 0,
        { sale_line_id Int, stock_units_sold Int, amount_sold Int, discount_sold Int, tax_sold Int, stock_units Int,
          amount Int, discount Int, tax Int, cost Int }
    SALE_REFUNDED = sale_refunded, key [0], fresh 0,
        { sale_id Int, shipping_sold Int, shipping Int, refunds Int, voided Int }
    TENDER = tender, key [0], fresh 0,
        { id Int, sale_id Int, refund_id Int, kind Text, amount Int, customer_id Int, due_day Int }
    OPEN_BALANCE = open_balance, key [0], fresh 0,
        { tender_id Int, sale_id Int, customer_id Int, due_day Int, amount Int, paid Int }
    PAYMENT = payment, key [0], fresh 0,
        { id Int, tender_id Int, kind Text, amount Int, at_ms Int, who Text }
    CUSTOM_ORDER = custom_order, key [0], fresh 0,
        { id Int, customer_id Int, style_id Int, size Text, color Text, note Text, due_day Int, estimate Int,
          state Text, item_id Int, hold_group Int, sale_id Int, reason Text, who Text, made_ms Int, ended_by Text,
          ended_ms Int }
    ACCOUNT = account, key [0], fresh 0,
        { id Int, kind Text, number Text, customer_id Int, balance Int, note Text, who Text, opened_ms Int,
          hold_group Int, custom_order Int }
    ACCOUNT_ENTRY = account_entry, key [0], fresh 0,
        { id Int, account_id Int, reason Text, amount Int, sale_id Int, sale_line_id Int, refund_id Int, note Text,
          who Text, at_ms Int }
    BASKET = basket, key [0], fresh 0,
        { id Int, channel Text, revision Int, state Text, content Text, hold_group Int, sale_id Int, who Text,
          made_ms Int, changed_ms Int }
    BASKET_STEP = basket_step, key [0, 1], fresh 0,
        { basket_id Int, revision Int, channel Text, content Text }
    DRAWER_TURN = drawer_turn, key [0], fresh 0,
        { id Int, channel Text, opened_ms Int, opened_by Text, opening_cash Int, expected Int, closed_ms Int,
          closed_by Text, counts Text, counted Int, difference Int, note Text }
    DRAWER_ENTRY = drawer_entry, key [0], fresh 0,
        { id Int, turn_id Int, kind Text, amount Int, source_id Int, reason Text, who Text, at_ms Int }
    ORDER_LINE = order_line, key [0], fresh 0,
        { id Int, order_id Int, position Int, item_id Int, code Text, title Text, stock_units Int, unit Text,
          price Int, amount Int, discount Int, tax Int, state Text, hold_id Int, sale_line_id Int, for_item_id Int }
    ORDER_STATE_ITEM = order_state_item, key [0, 1], fresh 0,
        { order_id Int, item_id Int, stock_units Int, amount Int, discount Int, tax Int }
    ORDER_CHANGE = order_change, key [0], fresh 0,
        { refund_id Int, order_id Int }
    ORDER_FEE = order_fee, key [0], fresh 0,
        { id Int, order_id Int, channel Text, amount Int, at_ms Int, who Text }
    LINE_DECISION = line_decision, key [0], fresh 0,
        { line_id Int, order_id Int, choice Text, new_line_id Int, amount Int, discount Int, tax Int, shipping Int,
          refund_number Text, reason Text, who Text, at_ms Int }
    ORDER_REFUND = order_refund, key [0, 1], fresh 0,
        { order_id Int, number Text, refund_id Int, at_ms Int }
    CONNECTION = connection, key [0], fresh 1,
        { id Int, name Text, channel Text, text Text, revision Int, new_pieces Text, ended_ms Int, takes_orders Int }
    CONNECTION_STATE = connection_state, key [0], fresh 0,
        { connection_id Int, saved_ms Int, filled_id Int, fill_due_ms Int, sent Int, refused Int, contact_ms Int,
          quiet_ms Int, quiet_asked Int, clock_ms Int, unsigned Int }
    CONNECTION_PROBLEM = connection_problem, key [0, 1], fresh 0,
        { connection_id Int, what Text, message Text, at_ms Int }
    LISTING = listing, key [0, 1], fresh 0,
        { connection_id Int, item_id Int, state Text, revision Int, content_hash Text, other_id Text, told_ms Int,
          etag Text, mended Int }
    OUTBOX = outbox, key [0, 1, 2], fresh 0,
        { connection_id Int, item_id Int, revision Int, rank Int, at_ms Int }
    DELIVERY = delivery, key [0, 1], fresh 0,
        { connection_id Int, item_id Int, due_ms Int, tries Int, holder Int, lease_ms Int, dead_letter_revision Int,
          dead_letter_ms Int, message Text, clear_ms Int }
    PULL = pull, key [0, 1], fresh 0,
        { connection_id Int, what Text, place Text, since_ms Int, etag Text, fails Int, due_ms Int, holder Int,
          lease_ms Int, message Text, reread_ms Int }
    HOOK_SEEN = hook_seen, key [0, 1], fresh 0,
        { connection_id Int, message Text, at_ms Int }
    DEFERRED_ORDER = deferred_order, key [0], fresh 0,
        { id Int, connection_id Int, number Text, raw_hash Text, raw Text, message Text, tries Int, due_ms Int,
          holder Int, lease_ms Int, deferred_ms Int, field Text }
    DIFFERENCE = difference, key [0], fresh 0,
        { id Int, connection_id Int, sku Text, item_id Int, field Text, ours Text, theirs Text, state Text, run Int,
          seen_ms Int }
    FEED_RUN = feed_run, key [0], fresh 0,
        { id Int, connection_id Int, at_ms Int, kind Text, listings Int, file_name Text, file_hash Text }
    FEED_RUN_ITEM = feed_run_item, key [0, 1], fresh 0,
        { run_id Int, item_id Int }
    INTAKE = intake, key [0, 1], fresh 0,
        { hash Text, feed Text, file_name Text, rows_done Int, added Int, updated Int, unchanged Int, answer Text,
          at_ms Int }
    INTAKE_REFUSED = intake_refused, key [0, 1, 2], fresh 0,
        { hash Text, feed Text, row_number Int, refusal Text }
    LAYOUT = layout, key [0], fresh 0,
        { name Text, text Text, revision Int, who Text, changed_ms Int }
    LISTING_TEXT = listing_text, key [0], fresh 0,
        { name Text, text Text, who Text, changed_ms Int }
    FEED_PROBLEM = feed_problem, key [0], fresh 0,
        { id Int, at_ms Int, file Text, message Text, seen Int }
    DAY_TOTAL = day_total, key [0, 1], fresh 0,
        { day Int, channel Text, month Int, sales Int, units Int, weight Int, gross Int, discounts Int, refunds Int,
          shipping Int, tax Int, fees Int, postage Int, cost Int, uncosted Int, rounding Int }
    PERSON = person, key [0], fresh 0,
        { id Int, name Text, folded Text, role Text, password Text, pin Text, made_ms Int, ended_ms Int,
          pin_failures Int }
    API_TOKEN = api_token, key [0], fresh 0,
        { jti Text, name Text, folded Text, role Text, made_by Text, made_ms Int, until_ms Int, ended_ms Int }
    CALLER_LIMIT = caller_limit, key [0, 1], fresh 0,
        { caller Text, name Text, value Text }
    APPROVAL = approval, key [0], fresh 0,
        { id Int, act Text, asked Text, request_hash Text, session_id Int, asker Text, approver Text, at_ms Int,
          expires_ms Int, used_ms Int }
    ACTIVITY = activity, key [0], fresh 0,
        { id Int, at_ms Int, who Text, act Text, what Text, detail Text, customer_id Int }
    STOCK_COUNT = stock_count, key [0], fresh 0,
        { id Int, scope Text, style_id Int, note Text, state Text, scans Int, begun_ms Int, begun_by Text,
          ended_ms Int, ended_by Text }
    STOCK_COUNT_LINE = stock_count_line, key [0, 1], fresh 0,
        { stock_count_id Int, item_id Int, stock_units Int, booked Int, mark Int, difference Int, left_message Text,
          who Text }
    STOCK_COUNT_UNKNOWN = stock_count_unknown, key [0, 1], fresh 0,
        { stock_count_id Int, code Text, scans Int, mark Int }
}
