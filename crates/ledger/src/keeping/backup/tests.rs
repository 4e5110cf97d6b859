//! Files that are not backups, or damaged ones, without a database.

use super::pictures::FILE;
use super::read::{is_backup, prove};
use super::{BackupError, FORMAT, Header, Trailer, VERSION, table_headers};
use crate::store::idempotency_key::hex_hash;
use crate::store::schema_step;
use std::collections::BTreeMap;

/// A file with one row, and a header changed by `change`.
fn file(change: impl Fn(&mut Header)) -> String {
    let mut header = Header {
        format: FORMAT.to_owned(),
        version: VERSION,
        schema: schema_step(),
        made: "2026-06-15T12:00:00Z".to_owned(),
        tables: table_headers(),
    };
    change(&mut header);
    let body = format!("{}\n[\"setting\",\"name\",\"Fold End\"]\n", serde_json::to_string(&header).unwrap());
    let mut rows: BTreeMap<String, u64> = table_headers().into_iter().map(|t| (t.name, 0)).collect();
    rows.insert("setting".to_owned(), 1);
    if header.version > 1 {
        rows.insert(FILE.to_owned(), 0);
    }
    let trailer = Trailer { rows, sha256: hex_hash(body.as_bytes()) };
    format!("{body}{}\n", serde_json::to_string(&trailer).unwrap())
}

fn read(text: &[u8]) -> Result<u64, BackupError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("shop.backup");
    std::fs::write(&path, text).unwrap();
    prove(&path).map(|proved| proved.rows)
}

/// The variant without its contents.
fn kind(result: Result<u64, BackupError>) -> String {
    match result {
        Ok(rows) => format!("{rows} rows"),
        Err(error) => format!("{error:?}").split([' ', '(']).next().unwrap_or_default().to_owned(),
    }
}

#[test]
fn only_a_whole_backup_of_this_schema_is_read() {
    let check = |name: &str, text: &str, expected: &str| {
        assert_eq!(kind(read(text.as_bytes())), expected, "{name}");
    };
    let whole = file(|_| {});
    check("whole", &whole, "1 rows");
    check("nothing", "", "NotABackup");
    check("another file", "sku,price\n1,2.00\n", "NotABackup");
    check("the form without pictures", &file(|h| h.version = 1), "1 rows");
    check("another form", &file(|h| h.format = "orchard".to_owned()), "NotABackup");
    check("a newer form", &file(|h| h.version = VERSION + 1), "Newer");
    check("a newer step", &file(|h| h.schema = schema_step() + 1), "Newer");
    check("other columns", &file(|h| drop(h.tables[0].columns.pop())), "Damaged");
    check("another table", &file(|h| h.tables[0].name = "settings".to_owned()), "Damaged");
    check("something after the end", &format!("{whole}more\n"), "Damaged");
    check("a part after the end", &format!("{whole}more"), "Damaged");
    check("a row less", &whole.replace("[\"setting\",\"name\",\"Fold End\"]\n", ""), "Damaged");
    check("a number for a text", &whole.replace("\"Fold End\"", "7"), "Damaged");
    check("a column more", &whole.replace("\"Fold End\"", "\"Fold End\",1"), "Damaged");
    check("an unknown table", &whole.replace("[\"setting\"", "[\"secret\""), "Damaged");
}

#[test]
fn a_newer_step_is_told_even_of_tables_that_are_not_known() {
    let newer = file(|h| h.schema = schema_step() + 1).replace("[\"setting\"", "[\"loom\"");
    assert_eq!(kind(read(newer.as_bytes())), "Newer");
}

/// Every position in the rows and the last line, and some in the long first line.
fn places(whole: &str) -> impl Iterator<Item = usize> {
    let rows = whole.find('\n').unwrap();
    (0..rows).step_by(7).chain(rows..whole.len())
}

#[test]
fn a_cut_at_any_place_is_noticed() {
    let whole = file(|_| {});
    for length in places(&whole) {
        let result = read(&whole.as_bytes()[..length]);
        let kind = kind(result);
        assert!(matches!(kind.as_str(), "NotABackup" | "CutOff"), "cut to {length}: {kind}");
    }
}

#[test]
fn a_flipped_bit_at_any_place_is_noticed() {
    let whole = file(|_| {});
    for at in places(&whole) {
        let bit = at % 8;
        let mut flipped = whole.clone().into_bytes();
        flipped[at] ^= 1 << bit;
        assert!(read(&flipped).is_err(), "bit {bit} of byte {at}");
    }
}

#[test]
fn an_earlier_backup_is_told_from_other_files() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("file");
    let check = |text: &str, expected: bool| {
        std::fs::write(&path, text).unwrap();
        assert_eq!(is_backup(&path), expected, "{text}");
    };
    check(&file(|_| {}), true);
    check("{\"format\":\"fleecefold-backup\",\"damaged", true);
    check("SQLite format 3\0", false);
    check("", false);
}
