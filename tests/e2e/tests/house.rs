//! The rules of the workspace, applied to the real one.

use e2e::house::{
    self, Package, broken_arrows, known_strangers, not_in_feeds, packages, second_doors, sql_lines,
};
use e2e::layers::{self, Layer, Layered};
use e2e::rooms::{self, Room};
use serde_json::Value;
use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::process::Command;

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").canonicalize().unwrap()
}

fn workspace() -> Vec<Package> {
    let told = Command::new(env!("CARGO"))
        .args(["metadata", "--no-deps", "--offline", "--format-version", "1"])
        .current_dir(root())
        .output()
        .unwrap();
    assert!(told.status.success(), "{}", String::from_utf8_lossy(&told.stderr));
    packages(&serde_json::from_slice::<Value>(&told.stdout).unwrap()).unwrap()
}

fn package(name: &str, folder: &str, knows: &[&str]) -> Package {
    Package {
        name: name.to_owned(),
        folder: PathBuf::from(folder),
        knows: knows.iter().map(|k| (*k).to_owned()).collect(),
    }
}

#[test]
fn no_arrow_goes_the_wrong_way() {
    let workspace = workspace();
    for room in ["domain", "ledger", "feeds", "till", "sync", "fleecefold", "pretend"] {
        assert!(workspace.iter().any(|p| p.name == room), "{room} is missing from the workspace");
    }
    assert_eq!(broken_arrows(&workspace), Vec::<String>::new());
}

#[test]
fn a_wrong_arrow_is_found() {
    let check = |name: &str, folder: &str, knows: &[&str], expected: &[&str]| {
        let mut house = workspace();
        house.retain(|p| p.name != name);
        house.push(package(name, folder, knows));
        assert_eq!(broken_arrows(&house), expected, "{name} knows {knows:?}");
    };
    check("till", "services/till", &["sync"], &["till must not know sync"]);
    check("sync", "services/sync", &["ledger", "till"], &["sync must not know till"]);
    check("feeds", "crates/feeds", &["domain", "ledger"], &["feeds must not know ledger"]);
    check("ledger", "crates/ledger", &["feeds"], &["ledger must not know feeds"]);
    check("domain", "crates/domain", &["ledger", "serde"], &["domain must not know ledger"]);
    check("domain", "crates/domain", &["e2e"], &["domain must not know e2e"]);
    check("till", "services/till", &["fleecefold"], &["till must not know fleecefold"]);
    check("pretend", "demo/pretend", &["axum", "domain"], &["pretend must not know domain"]);
    check("sync", "services/sync", &["pretend"], &["sync must not know pretend"]);
    check("till", "services/till", &["testkit"], &["till must not know testkit"]);
    check("attic", "crates/attic", &[], &["attic has no place in the house"]);
    check("bench", "tests/bench", &["ledger", "till", "sync"], &[]);
    check("fleecefold", "services/fleecefold", &["till", "sync", "ledger", "pretend", "clap"], &[]);
}

#[test]
fn sql_lives_in_the_ledger_alone() {
    let workspace = workspace();
    assert_eq!(second_doors(&workspace), Vec::<String>::new());
    let statements = |package: &Package| -> Vec<String> {
        let files = house::rust_files(&root().join(&package.folder).join("src")).unwrap();
        let lines = |file: &PathBuf| sql_lines(&house::read(file).unwrap());
        files.iter().flat_map(|f| lines(f).into_iter().map(|l| format!("{}:{l}", f.display()))).collect()
    };
    let (ledger, others): (Vec<&Package>, Vec<&Package>) = workspace
        .iter()
        .filter(|p| !p.folder.starts_with("tests"))
        .partition(|p| p.name == house::DATABASE_DOOR);
    let found: Vec<String> = others.into_iter().flat_map(statements).collect();
    assert_eq!(found, Vec::<String>::new(), "SQL outside of the ledger");
    assert!(
        !ledger.into_iter().flat_map(statements).collect::<Vec<_>>().is_empty(),
        "the ledger's own is seen"
    );
}

#[test]
fn each_room_keeps_to_its_own_work() {
    let workspace = workspace();
    assert_eq!(known_strangers(&workspace), Vec::<String>::new());
    let files = house::rust_files(&root().join("crates/feeds/src")).unwrap();
    assert!(files.iter().any(|f| f.ends_with("publish.rs")), "the sources of feeds were found");
    for file in files {
        let name = file.file_name().unwrap().to_string_lossy().into_owned();
        let found = not_in_feeds(&name, &house::read(&file).unwrap());
        assert_eq!(found, Vec::<&str>::new(), "{}", file.display());
    }
}

#[test]
fn work_of_another_room_is_found() {
    let house = [
        package("feeds", "crates/feeds", &["domain", "csv", "tokio"]),
        package("ledger", "crates/ledger", &["sqlx", "tokio", "csv"]),
        package("fleecefold", "services/fleecefold", &["clap", "tokio"]),
    ];
    assert_eq!(known_strangers(&house), ["feeds must not know tokio", "ledger must not know csv"]);

    let check = |file: &str, source: &str, expected: &[&str]| {
        assert_eq!(not_in_feeds(file, source), expected, "{file}: {source}");
    };
    check("orders.rs", "use std::net::TcpStream;", &["std::net"]);
    check("orders.rs", "let file = std::fs::File::open(path);", &["std::fs"]);
    check("publish.rs", "use std::fs::File;", &[]);
    check("publish.rs", "std::thread::sleep(moment);", &["std::thread"]);
    check("orders.rs", "// std::net is not for us\nuse std::io::Read;", &[]);
}

#[test]
fn a_second_door_is_found() {
    let house = [
        package("ledger", "crates/ledger", &["domain", "sqlx"]),
        package("till", "services/till", &["sqlx", "ledger"]),
        package("bench", "tests/bench", &["rusqlite"]),
    ];
    assert_eq!(second_doors(&house), ["till must not know sqlx"]);

    let check = |source: &str, expected: &[usize]| assert_eq!(sql_lines(source), expected, "{source}");
    check("let q = \"SELECT id FROM item\";", &[1]);
    check("\n    \"SELECT id, title\n     FROM item\"", &[2]);
    check("\"INSERT INTO item (id) VALUES ($1)\"", &[1]);
    check("\"UPDATE item\n SET held = 0\"", &[1]);
    check("\"DELETE FROM hold\"", &[1]);
    check("// SELECT a table FROM the list", &[]);
    check("/// UPDATE and SET are message", &[]);
    check("error(\"select a file from the list, or update it\")", &[]);
}

const LEDGER_SOURCES: &str = "crates/ledger/src";

/// The ledger's sources, each with its room; the crate's root belongs to none.
fn ledger_sources() -> Vec<(&'static Room, String, String)> {
    let folder = root().join(LEDGER_SOURCES);
    let files = house::rust_files(&folder).unwrap();
    let with_room = |file: PathBuf| {
        let path = file.strip_prefix(&folder).unwrap().to_string_lossy().into_owned();
        let room = rooms::room_of(rooms::LEDGER, &path)?;
        Some((room, path, house::read(&file).unwrap()))
    };
    let found: Vec<_> = files.into_iter().filter_map(with_room).collect();
    for room in rooms::LEDGER {
        assert!(found.iter().any(|(of, ..)| of.name == room.name), "no file of {} was seen", room.name);
    }
    found
}

#[test]
fn the_rooms_of_the_ledger_know_only_those_below() {
    let sources = ledger_sources();
    let mut given: BTreeMap<&str, BTreeSet<String>> = BTreeMap::new();
    for (room, _, source) in &sources {
        given.entry(room.name).or_default().extend(rooms::methods_given(source));
    }
    let mut breaches = Vec::new();
    for (room, path, source) in &sources {
        let uses = rooms::wrong_uses(rooms::LEDGER, room, source);
        let calls = rooms::wrong_calls(&given, room, source);
        let writes = rooms::wrong_writes(rooms::LEDGER, room, source);
        let found = [("uses", uses), ("calls", calls), ("writes", writes)];
        breaches.extend(
            found
                .into_iter()
                .flat_map(|(what, names)| names.into_iter().map(move |name| format!("{path} {what} {name}"))),
        );
    }
    assert_eq!(breaches, Vec::<String>::new());
}

#[test]
fn what_a_room_reads_above_itself_is_named() {
    let mut found: Vec<(String, String)> = Vec::new();
    for (room, path, source) in ledger_sources() {
        let reads = rooms::wrong_reads(rooms::LEDGER, room, &source);
        found.extend(reads.into_iter().map(|table| (path.clone(), table)));
    }
    found.sort();
    let named: Vec<(String, String)> =
        rooms::LOOKS_UP.iter().map(|(path, table, _)| ((*path).to_owned(), (*table).to_owned())).collect();
    assert_eq!(found, named);
}

/// The tables that exist after all steps of the schema.
fn tables_of_the_schema() -> BTreeSet<String> {
    let folder = std::fs::read_dir(root().join("migrations")).unwrap();
    let mut files: Vec<PathBuf> = folder.map(|file| file.unwrap().path()).collect();
    files.sort();
    let mut tables = BTreeSet::new();
    for file in files {
        for line in house::read(&file).unwrap().lines() {
            let words: Vec<&str> = line.split([' ', '(', ';']).filter(|word| !word.is_empty()).collect();
            match words.as_slice() {
                ["CREATE", "TABLE" | "VIEW", table, ..] => _ = tables.insert((*table).to_owned()),
                ["DROP", "TABLE", table] => _ = tables.remove(*table),
                ["ALTER", "TABLE", before, "RENAME", "TO", after] => {
                    tables.remove(*before);
                    tables.insert((*after).to_owned());
                }
                _ => {}
            }
        }
    }
    tables
}

/// What differs between the engines is asked for, and written, in the store alone.
#[test]
fn the_engines_are_named_in_the_store_alone() {
    let names = ["Engine::", "PRAGMA", "pg_"];
    let others = ledger_sources().into_iter().filter(|(room, ..)| room.name != "store");
    let named: Vec<String> = others
        .filter(|(.., source)| names.iter().any(|name| source.contains(name)))
        .map(|(_, path, _)| path)
        .collect();
    assert_eq!(named, Vec::<String>::new());
}

#[test]
fn each_table_has_one_room() {
    let made = tables_of_the_schema();
    let mut owned: Vec<String> =
        rooms::LEDGER.iter().flat_map(|room| room.tables).map(|table| (*table).to_owned()).collect();
    owned.sort();
    assert_eq!(owned, made.into_iter().collect::<Vec<_>>());
}

#[test]
fn a_wrong_arrow_between_rooms_is_found() {
    let room = |name: &str| rooms::LEDGER.iter().find(|room| room.name == name).expect("a room");
    let check = |name: &str, source: &str, expected: [&[&str]; 3]| {
        let uses = rooms::wrong_uses(rooms::LEDGER, room(name), source);
        let writes = rooms::wrong_writes(rooms::LEDGER, room(name), source);
        let reads = rooms::wrong_reads(rooms::LEDGER, room(name), source);
        let found = [uses, writes, reads].map(|names| names.into_iter().collect::<Vec<_>>());
        assert_eq!(
            found,
            expected.map(|names| names.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>()),
            "{name}: {source}"
        );
    };
    check("shelf", "use crate::store::Ledger;", [&[], &[], &[]]);
    check("shelf", "use crate::sales::booking;", [&["sales"], &[], &[]]);
    check("sales", "let all = crate::online::all();", [&["online"], &[], &[]]);
    check("shelf", "// as crate::sales does", [&[], &[], &[]]);
    check("sales", "\"UPDATE item SET held = 0\"", [&[], &["item"], &[]]);
    check("shelf", "\"UPDATE item SET held = 0\"", [&[], &[], &[]]);
    check("shelf", "\"INSERT INTO \\\n    outbox (id)\"", [&[], &["outbox"], &[]]);
    check("shelf", "insert_rows(tx.db(), &tables::SALE_LINE, &rows, bind)", [&[], &["sale_line"], &[]]);
    check("sales", "\"SELECT id FROM item JOIN customer_order o\"", [&[], &[], &["customer_order"]]);

    let given = BTreeMap::from([
        ("store", BTreeSet::from(["reader".to_owned()])),
        ("orders", BTreeSet::from(["order".to_owned()])),
    ]);
    let calls = |name: &str, source: &str| {
        rooms::wrong_calls(&given, room(name), source).into_iter().collect::<Vec<_>>()
    };
    assert_eq!(calls("sales", "self.order(id).await"), ["order"]);
    assert_eq!(calls("keeping", "self.order(id).await"), Vec::<String>::new());
    assert_eq!(calls("sales", "self.reader().await"), Vec::<String>::new());
    let source = "\nimpl Ledger {\n    pub async fn order(&self) {\n        fn inner() {}\n    }\n}\n";
    assert_eq!(rooms::methods_given(source), BTreeSet::from(["inner".to_owned(), "order".to_owned()]));
}

/// The sources of a folder of layers, without what is compiled for tests alone.
fn layered_sources(of: &Layered) -> Vec<(String, String)> {
    let folder = root().join(of.sources);
    let read = |file: PathBuf| {
        (file.strip_prefix(&folder).unwrap().to_string_lossy().into_owned(), house::read(&file).unwrap())
    };
    let files: Vec<(String, String)> = house::rust_files(&folder).unwrap().into_iter().map(read).collect();
    let tests: Vec<String> =
        files.iter().flat_map(|(path, source)| layers::test_modules(path, source)).collect();
    let is_test = |path: &str| {
        let module = layers::module_path(path).join("/");
        tests.iter().any(|test| module == *test || module.starts_with(&format!("{test}/")))
    };
    files.into_iter().filter(|(path, _)| !is_test(path)).collect()
}

#[test]
fn the_layers_of_each_package_know_only_those_below() {
    for of in layers::LAYERED {
        let what = format!("{} {:?}", of.sources, of.within);
        assert_eq!(of.circles(), Vec::<String>::new(), "{what}");
        let sources = layered_sources(of);
        for module in of.layers.iter().flat_map(|layer| layer.modules) {
            let is_seen = sources.iter().any(|(path, _)| of.module_of(path) == Some(module));
            assert!(is_seen, "{what}: no file of {module} was seen");
        }
        let breaches: Vec<String> = sources
            .iter()
            .flat_map(|(path, source)| {
                of.wrong_uses(path, source).into_iter().map(move |name| format!("{path} uses {name}"))
            })
            .collect();
        assert_eq!(breaches, Vec::<String>::new(), "{what}");
    }
}

#[test]
fn a_wrong_arrow_between_layers_is_found() {
    let check = |of: &Layered, path: &str, source: &str, expected: &[&str]| {
        let found: Vec<String> = of.wrong_uses(path, source).into_iter().collect();
        assert_eq!(found, expected, "{path}: {source}");
    };
    let (till, pages, connections, feeds) =
        (&layers::TILL, &layers::PAGES, &layers::CONNECTIONS, &layers::FEEDS);
    check(till, "pages/online.rs", "use crate::api::listings::FEED;", &["api"]);
    check(till, "api/shop.rs", "use crate::pages::shown;", &["pages"]);
    check(till, "app.rs", "use crate::{edge::serve, problem::{Kind, Problem}};", &["edge"]);
    check(till, "request/caller.rs", "fn of(app: &super::super::api::Caller) {}", &["api"]);
    check(till, "edge/auth.rs", "use crate::pages::frame::see_other;", &[]);
    check(till, "api/shop.rs", "// as crate::pages does", &[]);
    check(till, "api/shop.rs", "#[cfg(test)]\nmod tests {\n    use crate::pages::shown;\n}", &[]);
    check(till, "attic.rs", "", &["attic is in no layer"]);
    check(pages, "pages/shelf/item.rs", "use crate::pages::counter::slip;", &["counter"]);
    check(pages, "pages/shelf/item.rs", "use super::super::counter::slip;", &["counter"]);
    check(pages, "pages/shelf/item.rs", "use super::read;", &[]);
    check(pages, "pages/shelf.rs", "use super::{frame::Frame, counter};", &["counter"]);
    check(pages, "api/shop.rs", "use crate::pages::counter;", &[]);
    check(connections, "connections/client.rs", "use super::cycle::SyncCycle;", &["cycle"]);
    check(connections, "connections/mod.rs", "use crate::connections::cycle::SyncCycle;", &[]);
    check(feeds, "record.rs", "use crate::orders::Order;", &["orders"]);

    let circle = Layered {
        layers: &[
            Layer { name: "shelf", modules: &["shelf"], knows: &["counter"] },
            Layer { name: "counter", modules: &["counter"], knows: &["shelf"] },
        ],
        ..layers::PAGES
    };
    assert_eq!(circle.circles(), ["shelf knows counter"]);
}
