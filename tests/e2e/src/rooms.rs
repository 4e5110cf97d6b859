//! The rooms of a package, and which of them may use which: dependencies run one way, from upper rooms to lower
//! ones, in
//! `use` lines, in method calls and in SQL.
//!
//! As in [`crate::house`], each rule is a function from source text to a list of violations.

use std::collections::{BTreeMap, BTreeSet};

/// A room: a folder, or a file, of a package's sources.
#[derive(Clone, Copy, Debug)]
pub struct Room {
    /// Its folder, which is also its module.
    pub name: &'static str,
    /// The rooms that it may use besides itself.
    pub knows: &'static [&'static str],
    /// The tables that only it writes, and its views.
    pub tables: &'static [&'static str],
}

/// The rooms of the ledger, lowest first.
pub const LEDGER: &[Room] = &[
    Room {
        name: "store",
        knows: &[],
        tables: &["idempotency_key", "channel", "node_lease", "setting", "shop_state"],
    },
    Room {
        name: "people",
        knows: &["store"],
        tables: &[
            "api_token",
            "activity",
            "approval",
            "caller_limit",
            "device",
            "known_browser",
            "person",
            "recovery_code",
            "second_factor",
            "session",
            "sign_in_step",
            "sign_in_try",
        ],
    },
    Room { name: "customers", knows: &["people", "store"], tables: &["customer", "person_data"] },
    Room { name: "books", knows: &["people", "store"], tables: &["day_total"] },
    Room {
        name: "shelf",
        knows: &["books", "customers", "people", "store"],
        tables: &[
            "code",
            "hold",
            "intake",
            "intake_refused",
            "item",
            "picture",
            "piece_work",
            "printed_tag",
            "stock_entry",
            "stock_count",
            "stock_count_line",
            "stock_count_unknown",
            "style",
        ],
    },
    Room {
        name: "online",
        knows: &["shelf", "books", "customers", "people", "store"],
        tables: &[
            "connection",
            "connection_state",
            "connection_problem",
            "delivery",
            "difference",
            "feed_run",
            "feed_run_item",
            "feed_problem",
            "hook_seen",
            "deferred_order",
            "layout",
            "listing",
            "listing_text",
            "online_offer",
            "outbox",
            "pull",
        ],
    },
    Room {
        name: "sales",
        knows: &["shelf", "books", "customers", "people", "store"],
        tables: &[
            "account",
            "account_entry",
            "basket",
            "basket_step",
            "custom_order",
            "return_decision",
            "drawer_entry",
            "drawer_turn",
            "line_refunded",
            "open_balance",
            "payment",
            "refund",
            "refund_line",
            "sale",
            "sale_refunded",
            "sale_line",
            "tender",
            "sale_void",
        ],
    },
    Room {
        name: "orders",
        knows: &["online", "sales", "shelf", "books", "customers", "people", "store"],
        tables: &[
            "customer_order",
            "line_decision",
            "order_change",
            "order_fee",
            "order_line",
            "order_refund",
            "order_state_item",
        ],
    },
    Room {
        name: "keeping",
        knows: &["orders", "online", "sales", "shelf", "books", "customers", "people", "store"],
        tables: &[],
    },
];

/// Where a room reads a table of a higher one, to report on something of its own. No decision depends on what
/// is read there.
pub const LOOKS_UP: &[(&str, &str, &str)] = &[
    ("people/activity_log.rs", "person_data", "an entry about a customer says their name"),
    ("sales/day_view.rs", "customer_order", "a sale's order number"),
    ("sales/sale_view.rs", "customer_order", "a sale's order number"),
    ("sales/search.rs", "customer_order", "past sales are found by the name and number of their order"),
    ("shelf/find.rs", "online_offer", "items are found by whether they are listed"),
    ("shelf/lookup.rs", "customer_order", "a refusal says which order has the piece"),
    ("shelf/lookup.rs", "sale", "a refusal says when and where the piece was sold"),
    ("shelf/lookup.rs", "sale_line", "a piece that another system's history sold is not sold again"),
    ("shelf/stock.rs", "refund", "a move names the sale that its refund is of"),
];

/// The room of a file, by its path below the sources; none for a file of tests.
pub fn room_of<'r>(rooms: &'r [Room], path: &str) -> Option<&'r Room> {
    if path.ends_with("/tests.rs") {
        return None;
    }
    let first = path.split('/').next()?.trim_end_matches(".rs");
    rooms.iter().find(|room| room.name == first)
}

/// The text without tests, comments, and line ends within strings.
fn plain(source: &str) -> String {
    let code = source.split("#[cfg(test)]").next().unwrap_or_default();
    let lines = code.lines().filter(|line| !line.trim_start().starts_with("//"));
    let text = lines.collect::<Vec<_>>().join("\n");
    let mut parts = text.split("\\\n");
    let first = parts.next().unwrap_or_default().to_owned();
    parts.fold(first, |text, part| text + part.trim_start())
}

fn words(text: &str) -> impl Iterator<Item = &str> {
    text.split(|c: char| !c.is_alphanumeric() && c != '_').filter(|word| !word.is_empty())
}

/// The word after each `mark`.
fn after<'t>(text: &'t str, mark: &'t str) -> impl Iterator<Item = &'t str> {
    text.match_indices(mark).filter_map(move |(at, _)| words(text.get(at + mark.len()..)?).next())
}

/// Rooms that the source mentions though it may not use them.
pub fn wrong_uses(rooms: &[Room], room: &Room, source: &str) -> BTreeSet<String> {
    let text = plain(source);
    let strange = |name: &&str| {
        rooms.iter().any(|r| r.name == *name) && *name != room.name && !room.knows.contains(name)
    };
    let mut found: BTreeSet<String> = after(&text, "crate::").filter(strange).map(str::to_owned).collect();
    if text.contains("use crate::{") {
        found.insert("several rooms in one `use`; write a line for each".to_owned());
    }
    found
}

fn tables_after(text: &str, marks: &[&str]) -> BTreeSet<String> {
    marks.iter().flat_map(|mark| after(text, mark)).map(str::to_owned).collect()
}

fn owner<'r>(rooms: &'r [Room], table: &str) -> Option<&'r Room> {
    rooms.iter().find(|room| room.tables.contains(&table))
}

/// Tables of other rooms that the source writes.
pub fn wrong_writes(rooms: &[Room], room: &Room, source: &str) -> BTreeSet<String> {
    let mut tables = tables_after(&plain(source), &["INSERT INTO ", "UPDATE ", "DELETE FROM "]);
    // Whole rows are written by the table's description.
    tables.extend(tables_after(&plain(source), &["&tables::"]).into_iter().map(|name| name.to_lowercase()));
    tables.retain(|table| owner(rooms, table).is_some_and(|owner| owner.name != room.name));
    tables
}

/// Tables that the source reads though their room is not below its own.
pub fn wrong_reads(rooms: &[Room], room: &Room, source: &str) -> BTreeSet<String> {
    let mut tables = tables_after(&plain(source), &["FROM ", "JOIN "]);
    tables.retain(|table| {
        owner(rooms, table).is_some_and(|owner| owner.name != room.name && !room.knows.contains(&owner.name))
    });
    tables
}

/// Methods that a room's source adds to the types that all rooms share.
pub fn methods_given(source: &str) -> BTreeSet<String> {
    let text = plain(source);
    let blocks = ["\nimpl Ledger {", "\nimpl Tx {"];
    let bodies = blocks.iter().flat_map(|mark| {
        text.match_indices(mark).filter_map(|(at, _)| text.get(at + mark.len()..)?.split("\n}").next())
    });
    bodies.flat_map(|body| after(body, " fn ")).map(str::to_owned).collect()
}

/// Methods of higher rooms that the source calls.
pub fn wrong_calls(given: &BTreeMap<&str, BTreeSet<String>>, room: &Room, source: &str) -> BTreeSet<String> {
    let text = plain(source);
    let mine = |name: &str| *name == *room.name || room.knows.contains(&name);
    let above = given.iter().filter(|(name, _)| !mine(name)).flat_map(|(_, methods)| methods);
    let below: BTreeSet<&String> =
        given.iter().filter(|(name, _)| mine(name)).flat_map(|(_, methods)| methods).collect();
    let is_called = |method: &&String| {
        !below.contains(*method)
            && ["self", "ledger", "tx"].iter().any(|who| text.contains(&format!("{who}.{method}(")))
    };
    above.filter(is_called).cloned().collect()
}
