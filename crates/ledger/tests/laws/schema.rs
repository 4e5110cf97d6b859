//! The schema enforces the laws once more, and the ledger's statements only add.

use crate::harness::on_each;
use crate::make::*;
use crate::sales::owed;
use domain::account::DepositFor;
use domain::basket::{LineKind, TenderKind};
use domain::customer::Contact;
use domain::day::Day;
use domain::stock::ReturnDisposition;
use ledger::sales::{NewSale, SaleLineIn};
use ledger::shelf::Purpose;
use sqlx::AssertSqlSafe;
use std::path::Path;
use testkit::Engine;

/// What must be refused: CHECK, UNIQUE, FOREIGN KEY or NOT NULL, and a statement that would violate it.
const ATTACKS: &[(&str, &str)] = &[
    ("law 1, below nothing", "UPDATE item SET on_hand = -1, sold = sold + 6 WHERE sku = 'c1'"),
    ("law 1, held below nothing", "UPDATE item SET held = -1 WHERE sku = 'c1'"),
    ("law 1, more held than there is", "UPDATE item SET held = on_hand + 1 WHERE sku = 'c1'"),
    ("law 1, two of a piece", "UPDATE item SET on_hand = 2, made = made + 1 WHERE sku = 'p1'"),
    ("law 2, on hand alone", "UPDATE item SET on_hand = on_hand - 1 WHERE sku = 'c1'"),
    ("law 2, sold alone", "UPDATE item SET sold = sold + 1 WHERE sku = 'c1'"),
    ("law 2, a piece sold twice", "UPDATE item SET sold = sold + 1, made = made + 1 WHERE sku = 'sold'"),
    ("for sale without a price", "UPDATE item SET price = NULL WHERE sku = 'p1'"),
    ("a price of what is not for sale", "UPDATE item SET for_sale = 0 WHERE sku = 'p1'"),
    ("law 2, drawn alone", "UPDATE item SET drawn = drawn + 1 WHERE sku = 'c1'"),
    ("a price of nothing", "UPDATE item SET price = 0 WHERE sku = 'p1'"),
    ("a price beyond range", "UPDATE item SET price = 1000000000001 WHERE sku = 'p1'"),
    ("goods by weight without unit", "UPDATE item SET stock_unit = NULL WHERE sku = 'w1'"),
    ("a unit for a piece", "UPDATE item SET stock_unit = 'ONZ' WHERE sku = 'p1'"),
    ("half a weight", "UPDATE item SET weight = '5' WHERE sku = 'p1'"),
    (
        "two items of one code",
        "INSERT INTO code (code, item_id) SELECT code, item_id FROM code WHERE code = 'p1'",
    ),
    ("a code of no item", "INSERT INTO code (code, item_id) VALUES ('stray', 7)"),
    ("an item away from its entries", "DELETE FROM item WHERE sku = 'c1'"),
    ("an entry of nothing", "UPDATE stock_entry SET change = 0"),
    ("an entry of no item", "UPDATE stock_entry SET item_id = 7"),
    ("a hold of nothing", "UPDATE hold SET stock_units = 0"),
    ("an open hold that ended", "UPDATE hold SET ended_ms = 1 WHERE state = 'open'"),
    ("an ended hold without its end", "UPDATE hold SET state = 'ended' WHERE state = 'open'"),
    ("law 4, a cent more goods", "UPDATE sale SET goods = goods + 1"),
    ("law 4, a cent more tendered", "UPDATE sale SET tendered = tendered + 1"),
    ("law 4, change kept", "UPDATE sale SET change_given = change_given + 1"),
    ("law 4, a refund's cent", "UPDATE refund SET tendered = tendered + 1"),
    ("the same receipt twice", "UPDATE sale SET receipt = 1"),
    ("a sale without receipt", "UPDATE sale SET receipt = NULL"),
    ("a past sale with one", "UPDATE sale SET backfilled = 1"),
    ("a sale on no channel", "UPDATE sale SET channel = 'moon'"),
    ("a line of no sale", "UPDATE sale_line SET sale_id = 7"),
    ("a line of nothing", "UPDATE sale_line SET stock_units = 0"),
    ("more off a line than it is", "UPDATE sale_line SET discount = amount + 1"),
    (
        "a rule without a weight",
        "UPDATE sale_line SET rate = 1, rate_unit = 'ONZ', ending = 'exact', extras = 0",
    ),
    ("a weight without its unit", "UPDATE sale_line SET weight = '6.35'"),
    (
        "a rate without its ending",
        "UPDATE sale_line SET weight = '6.35', weight_unit = 'ONZ', rate = 1, rate_unit = 'ONZ', extras = 0",
    ),
    ("law 9, more stock units than sold", "UPDATE line_refunded SET stock_units = stock_units_sold + 1"),
    ("law 9, more money than sold", "UPDATE line_refunded SET amount = amount_sold + 1"),
    ("law 9, more discount than sold", "UPDATE line_refunded SET discount = discount_sold + 1"),
    ("law 9, more tax than sold", "UPDATE line_refunded SET tax = tax_sold + 1"),
    ("law 9, more shipping than sold", "UPDATE sale_refunded SET shipping = shipping_sold + 1"),
    ("more spent than there is", "UPDATE account SET balance = -1"),
    ("a certificate without its number", "UPDATE account SET number = NULL"),
    ("a certificate that was sold for less than nothing", "UPDATE account_entry SET amount = -amount"),
    ("a certificate that was sold in no sale", "UPDATE account_entry SET sale_id = NULL"),
    ("a deposit for nothing", "UPDATE account SET custom_order = NULL WHERE kind = 'deposit'"),
    ("a deposit for two things", "UPDATE account SET hold_group = 7 WHERE kind = 'deposit'"),
    ("a deposit of nobody", "UPDATE account SET customer_id = NULL WHERE kind = 'deposit'"),
    ("a certificate for an order", "UPDATE account SET hold_group = 7 WHERE kind = 'gift-certificate'"),
    ("an order that was collected in no sale", "UPDATE custom_order SET state = 'collected', ended_ms = 1"),
    ("an order that was made of nothing", "UPDATE custom_order SET state = 'made'"),
    ("an ended order without its end", "UPDATE custom_order SET state = 'canceled'"),
    ("an order of nobody", "UPDATE custom_order SET customer_id = 7"),
    ("voided and refunded", "UPDATE sale_refunded SET voided = 1 WHERE refunds > 0"),
    (
        "two shops that give orders of one channel",
        "INSERT INTO connection (id, name, channel, takes_orders) \
         VALUES (7, 'a', 'online', 1), (8, 'b', 'online', 1)",
    ),
    (
        "voided twice",
        "INSERT INTO sale_void (sale_id, at_ms, reason, who) SELECT sale_id, 1, '', '' FROM sale_void",
    ),
    (
        "a fate decided twice",
        "INSERT INTO return_decision (refund_line_id, disposition, at_ms, who) \
        SELECT refund_line_id, 'shelf', 1, '' FROM return_decision",
    ),
    ("a tender of nothing at all", "UPDATE tender SET sale_id = NULL WHERE sale_id IS NOT NULL"),
    (
        "a tender of both",
        "UPDATE tender SET refund_id = (SELECT MIN(id) FROM refund) WHERE refund_id IS NULL",
    ),
    ("more paid than owed", "UPDATE open_balance SET paid = amount + 1"),
    ("paid below nothing", "UPDATE open_balance SET paid = -1"),
    (
        "a payment of nothing",
        "INSERT INTO payment (id, tender_id, kind, amount, at_ms, who) \
        SELECT 1, tender_id, 'cash', 0, 1, '' FROM open_balance",
    ),
    (
        "a payment that is owed",
        "INSERT INTO payment (id, tender_id, kind, amount, at_ms, who) \
        SELECT 1, tender_id, 'on-account', 5, 1, '' FROM open_balance",
    ),
    (
        "law 5, the same key twice",
        "INSERT INTO idempotency_key (scope, key, body_hash, made_ms) \
        VALUES ('s', 'k', 'a', 1), ('s', 'k', 'b', 1)",
    ),
    (
        "the same message twice",
        "INSERT INTO outbox (connection_id, item_id, revision) \
        SELECT connection_id, item_id, revision FROM outbox",
    ),
    (
        "a second state of the shop",
        "INSERT INTO shop_state (id, receipt, in_store, settings_revision) VALUES (2, 0, 0, 0)",
    ),
    ("no state of the shop's counters", "UPDATE shop_state SET receipt = -1"),
    (
        "the same style twice",
        "INSERT INTO style (id, name, folded, rate, rate_unit, ending, sizes, category, care, revision, made_ms) \
        SELECT 7, name, folded, rate, rate_unit, ending, sizes, category, care, 1, 1 FROM style",
    ),
    ("a node beyond 10 bits", "INSERT INTO node_lease (node, holder, until_ms) VALUES (1024, 'x', 1)"),
    (
        "an approval of one's own",
        "INSERT INTO approval (id, act, asked, request_hash, session_id, asker, approver, at_ms, expires_ms) \
        VALUES (1, 'discount', '40', 'x', 7, 'Ash', 'Ash', 1, 60001)",
    ),
    (
        "an approval for longer than a minute",
        "INSERT INTO approval (id, act, asked, request_hash, session_id, asker, approver, at_ms, expires_ms) \
        VALUES (1, 'discount', '40', 'x', 7, 'Ash', 'Maud', 1, 60002)",
    ),
    (
        "an approval used after its minute",
        "INSERT INTO approval (id, act, asked, request_hash, session_id, asker, approver, at_ms, expires_ms, used_ms) \
        VALUES (1, 'discount', '40', 'x', 7, 'Ash', 'Maud', 1, 60001, 60001)",
    ),
    (
        "earlier contents of no sale",
        "INSERT INTO basket_step (basket_id, revision, channel, content) VALUES (7, 1, 'store', '')",
    ),
    ("the same day twice", "INSERT INTO day_total SELECT * FROM day_total"),
];

#[test]
fn the_schema_refuses_what_would_break_a_law() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        shop.ok(add(vec![
            piece("p1", 100),
            piece("sold", 100),
            counted("c1", "5", 100),
            by_ounce("w1", "5", 100),
        ]))
        .await;
        shop.ok(hold(&[("p1", "1")], Purpose::Customer, None)).await;
        let certificate = ledger::sales::BringInCertificate {
            certificate: testkit::make::certificate(1),
            amount: usd(2500),
            note: String::new(),
            who: "owner".to_owned(),
        };
        shop.ok(certificate).await;
        let ordered = ledger::sales::NewCustomOrder {
            customer: None,
            contact: Contact { name: "Ada Moss".to_owned(), ..Contact::default() },
            style: Some("Ridge beanie".to_owned()),
            size: String::new(),
            color: String::new(),
            note: String::new(),
            due: Day::parse("2026-06-17").unwrap(),
            estimate: None,
            who: "owner".to_owned(),
        };
        let of = DepositFor::Order(shop.ok(ordered).await);
        let paid = SaleLineIn::Deposit { of, title: "Deposit".to_owned(), amount: usd(500) };
        shop.ok(sale(vec![paid], card(500))).await;
        let issued = SaleLineIn::Paper {
            kind: LineKind::GiftCertificate,
            title: "Gift certificate".to_owned(),
            amount: usd(1000),
            certificate: Some(testkit::make::certificate(2)),
        };
        shop.ok(sale(vec![issued], card(1000))).await;
        shop.ok(NewSale { shipping: usd(5), ..sale(vec![goods("sold", "1")], cash(200)) }).await;
        let two =
            shop.ok(sale(vec![less("c1", "2", 1, 1)], vec![tender(TenderKind::Card, 150), owed(50)])).await;
        shop.ok(part(two.id, two.lines[0].id, Some("1"), ReturnDisposition::Shelf)).await;
        let wrong = shop.ok(sale_of("c1", 100)).await;
        shop.ok(ledger::sales::VoidSale { sale: wrong.id, reason: String::new(), who: String::new() }).await;
        let mut raw = shop.raw().await;
        for (what, statement) in ATTACKS {
            let attacked = sqlx::query(AssertSqlSafe((*statement).to_owned())).execute(&mut *raw).await;
            let error = match attacked {
                Err(sqlx::Error::Database(error)) => error,
                other => panic!("on {:?}, {what}: {other:?}", shop.engine),
            };
            let code = error.code().unwrap_or_default().into_owned();
            // PostgreSQL's class 23 and SQLite's SQLITE_CONSTRAINT (19) with its extended codes.
            let is_constraint = match shop.engine {
                Engine::Postgres => code.starts_with("23"),
                Engine::Sqlite => code.parse::<i64>().is_ok_and(|c| c & 0xff == 19),
            };
            assert!(is_constraint, "on {:?}, {what}: {code} {error}", shop.engine);
        }
    });
}

/// Tables whose rows are only ever added.
const ADDED_TO: [&str; 12] = [
    "stock_entry",
    "sale",
    "sale_line",
    "tender",
    "refund",
    "refund_line",
    "return_decision",
    "sale_void",
    "payment",
    "drawer_entry",
    "account_entry",
    "activity",
];

/// The list is the same in `deploy/`, where the program's role on PostgreSQL is denied changes.
#[test]
fn the_programs_role_may_change_no_table_that_is_only_added_to() {
    let text = std::fs::read_to_string(concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/../../deploy/postgresql/append-only.sql"
    ))
    .unwrap();
    let (_, tables) = text.split_once("REVOKE UPDATE, DELETE, TRUNCATE ON").unwrap();
    let (tables, _) = tables.split_once("FROM fleecefold").unwrap();
    let named: Vec<&str> = tables.split(',').map(str::trim).collect();
    assert_eq!(named, ADDED_TO);
}

/// The words of all source files of the ledger, including strings, in lowercase.
fn words(folder: &Path, found: &mut Vec<(String, Vec<String>)>) {
    for entry in std::fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            words(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            let text = std::fs::read_to_string(&path).unwrap().to_lowercase();
            let words = text
                .split(|c: char| !(c.is_alphanumeric() || c == '_'))
                .filter(|w| !w.is_empty())
                .map(str::to_owned)
                .collect();
            found.push((path.display().to_string(), words));
        }
    }
}

/// Statements that change or delete rows of tables to which rows are only added: `update sale`, `delete
/// from sale`,
/// `insert into sale … do update` up to the next statement, `replace into sale`.
fn changing(words: &[String]) -> Vec<String> {
    let mut found = Vec::new();
    for (at, pair) in words.windows(3).enumerate() {
        let [first, second, third] = [0, 1, 2].map(|n| pair[n].as_str());
        let target = match (first, second) {
            ("update", table) if third == "set" => table,
            ("delete", "from") | ("replace", "into") | ("truncate", "table") => third,
            // Whole rows of what is only added to are never written with a tail.
            ("insert_rows_or" | "insert_rows_returning", _) => words.get(at + 4).map_or("", String::as_str),
            ("insert", "into") => {
                let rest = &words[at + 2..];
                let end = rest.windows(2).position(|w| {
                    ["insert", "select", "update"].contains(&w[0].as_str())
                        && w[1] != "set"
                        && w[0] != "update"
                });
                let statement = &rest[..end.unwrap_or(rest.len()).min(80)];
                let updates = statement.windows(2).any(|w| w[0] == "do" && w[1] == "update");
                if updates { third } else { "" }
            }
            _ => "",
        };
        if ADDED_TO.contains(&target) {
            found.push(format!("{first} {second} {third}"));
        }
    }
    found
}

#[test]
fn no_text_of_the_ledger_changes_what_is_only_added_to() {
    let mut files = Vec::new();
    words(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut files);
    assert!(files.len() > 30, "the ledger's source is found");
    // A row is written by a statement, or whole by its table's description.
    let is_written = |table: &&str| {
        files
            .iter()
            .flat_map(|(_, words)| words.windows(3))
            .any(|w| (w[0] == "insert" && w[2] == *table) || (w[0] == "tables" && w[1] == *table))
    };
    let unwritten: Vec<&str> = ADDED_TO.into_iter().filter(|table| !is_written(table)).collect();
    assert_eq!(unwritten, Vec::<&str>::new(), "the ledger's statements are found");
    for (file, words) in &files {
        assert_eq!(changing(words), Vec::<String>::new(), "{file}");
    }
}

#[test]
fn a_changing_statement_would_be_found() {
    let check = |text: &str, expected: usize| {
        let words: Vec<String> = text.split_whitespace().map(str::to_owned).collect();
        assert_eq!(changing(&words).len(), expected, "{text}");
    };
    check("update sale set note", 1);
    check("update item set note", 0);
    check("delete from stock_entry where id", 1);
    check("insert into tender id values on conflict id do update set amount", 1);
    check("insert into tender id values on conflict do nothing", 0);
    check("replace into refund values", 1);
    check("insert_rows_or tx db tables tender on_conflict rows", 1);
    check("insert_rows_or tx db tables listing on_conflict rows", 0);
    check("insert_rows tx db tables tender rows", 0);
}

#[test]
fn a_transaction_begins_in_one_place_alone() {
    let mut files = Vec::new();
    words(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src"), &mut files);
    let begins: Vec<&str> = files
        .iter()
        .filter(|(_, words)| words.iter().any(|word| word == "begin_with"))
        .map(|(file, _)| file.rsplit('/').next().unwrap())
        .collect();
    assert_eq!(begins, ["begin.rs"]);
}
