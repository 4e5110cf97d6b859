//! What is not restored: damaged files, and into places that have a shop.

use crate::backup::{hidden, later};
use crate::full_shop::{clean, fill, many_kits};
use crate::place::empty_database;
use ledger::keeping::restore;
use ledger::{Access, Ledger};
use std::path::{Path, PathBuf};
use testkit::{TestShop, shops};

async fn backed_up(shop: &TestShop, folder: &Path) -> (PathBuf, Vec<u8>) {
    let file = folder.join("shop.backup");
    shop.ledger.backup(&file, |_, _| ()).await.unwrap();
    let bytes = std::fs::read(&file).unwrap();
    (file, bytes)
}

/// A restore's error for a file, in a place where it must leave nothing.
async fn rejection(bytes: &[u8], folder: &Path) -> String {
    let file = folder.join("bad.backup");
    std::fs::write(&file, bytes).unwrap();
    let new = folder.join("new.db");
    let url = format!("sqlite:{}", new.display());
    let refused = restore(&file, &url, None, &[], later(), |_, _| ()).await.unwrap_err().to_string();
    assert!(!new.exists() && hidden(folder).is_empty(), "something was left: {refused}");
    refused.replace(&file.display().to_string(), "FILE")
}

#[tokio::test]
async fn a_damaged_backup_is_refused_in_words() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let (_, whole) = backed_up(&shop, folder.path()).await;
        let text = String::from_utf8(whole.clone()).unwrap();
        let cut = |at: usize| (&text[..at], text[..at].matches('\n').count());
        let check = async |text: &str, expected: &str| {
            assert_eq!(rejection(text.as_bytes(), folder.path()).await, expected, "{}", shop.engine);
        };
        let end = text.len() - 1;
        for at in [text.len() / 2, text[..end].rfind('\n').unwrap() + 1, end] {
            let (rest, lines) = cut(at);
            check(rest, &format!("FILE is cut off after line {lines}; use another backup")).await;
        }
        check(&text.replacen("Rowan Hill", "Rowan Hall", 1), "FILE is damaged; use another backup").await;
        let schema = text.split("\"schema\":").nth(1).and_then(|rest| rest.split_once(',')).unwrap().0;
        let forged = forge(&whole, &format!("\"schema\":{schema},"), "\"schema\":9999,");
        let newer = String::from_utf8(forged).unwrap();
        let told = "FILE was made by a newer Fleecefold (form 2, schema step 9999); update this program";
        check(&newer, told).await;
        check("sku,name\n", "FILE is not a Fleecefold backup").await;
        shop.end().await;
    }
}

/// A row that the schema refuses, in a file with a valid checksum: nothing of it may stay.
#[tokio::test]
async fn a_row_that_cannot_be_is_refused_with_the_whole() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let (_, whole) = backed_up(&shop, folder.path()).await;
        let forged = forge(&whole, "\"open\",", "\"ajar\",");
        let refused = rejection(&forged, folder.path()).await;
        assert_eq!(refused, "the database refused a statement");
        if let Some(database) = empty_database().await {
            let file = folder.path().join("bad.backup");
            restore(&file, &database.url, None, &[], later(), |_, _| ()).await.unwrap_err();
            let whole = folder.path().join("shop.backup");
            let restored = restore(&whole, &database.url, None, &[], later(), |_, _| ()).await.unwrap();
            assert!(restored.check.is_clean());
        }
        shop.end().await;
    }
}

/// The file with one text changed, and a last line that matches it.
fn forge(whole: &[u8], from: &str, to: &str) -> Vec<u8> {
    use sha2::{Digest, Sha256};
    let text = String::from_utf8(whole.to_vec()).unwrap();
    let changed = text.replacen(from, to, 1);
    assert_ne!(changed, text);
    let end = changed[..changed.len() - 1].rfind('\n').unwrap() + 1;
    let hash = Sha256::digest(&changed.as_bytes()[..end]);
    let hash = hash.iter().fold(String::new(), |text, byte| format!("{text}{byte:02x}"));
    let mut trailer: serde_json::Value = serde_json::from_str(&changed[end..]).unwrap();
    trailer["sha256"] = hash.into();
    format!("{}{trailer}\n", &changed[..end]).into_bytes()
}

/// A backup of a damaged shop is restored as it is, and the report names the damage.
#[tokio::test]
async fn a_broken_shop_comes_back_with_its_findings() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let (_, whole) = backed_up(&shop, folder.path()).await;
        let file = folder.path().join("forged.backup");
        std::fs::write(&file, forge(&whole, "\"gift\",null,\"raffle\"", "\"made\",null,\"raffle\"")).unwrap();
        let url = format!("sqlite:{}", folder.path().join("new.db").display());
        let restored = restore(&file, &url, None, &[], later(), |_, _| ()).await.unwrap();
        let told = crate::full_shop::told(&restored.check);
        assert_eq!(told, ["2 item # (KIT) made: 99 → 100", "2 item # (KIT) written off: 0 → 1"]);
        shop.end().await;
    }
}

#[tokio::test]
async fn a_shop_is_never_overwritten() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let (file, _) = backed_up(&shop, folder.path()).await;
        let check = async |url: String, expected: &str| {
            let refused = restore(&file, &url, None, &[], later(), |_, _| ()).await.unwrap_err().to_string();
            assert!(refused.contains(expected), "{url}: {refused}");
        };
        let in_use = match shop.engine {
            testkit::Engine::Sqlite => "is there already; a backup is put back into a new place",
            testkit::Engine::Postgres => "it is a shop in use; restore into a new database",
        };
        check(shop.ground.url.clone(), in_use).await;
        clean(&shop.ledger).await;
        for name in ["empty.db", "log.db-wal", "log.db-journal"] {
            std::fs::write(folder.path().join(name), "").unwrap();
        }
        let url = |name: &str| format!("sqlite:{}", folder.path().join(name).display());
        check(url("empty.db"), "empty.db is there already").await;
        check(url("log.db"), "log.db-").await;
        check("mysql://farm/shop".to_owned(), "is not a database").await;
        shop.end().await;
    }
}

/// On PostgreSQL a new shop counts as an empty database; one with items does not.
#[tokio::test]
async fn only_a_fresh_database_is_filled() {
    let Some(database) = empty_database().await else { return };
    let shop = shops().await.remove(0);
    fill(&shop).await;
    let folder = tempfile::tempdir().unwrap();
    let (file, _) = backed_up(&shop, folder.path()).await;
    let fresh = Ledger::open(&database.url, Access::Create, later()).await.unwrap();
    let restored = restore(&file, &database.url, None, &[], later(), |_, _| ()).await.unwrap();
    assert!(restored.check.is_clean());
    // A process that had it open goes on with the restored shop.
    fresh.refresh_shop().await.unwrap();
    assert_eq!(fresh.shop().name, "Fold End");
    let refused = restore(&file, &database.url, None, &[], later(), |_, _| ()).await.unwrap_err().to_string();
    assert!(refused.contains("has rows in setting: it is a shop in use"), "{refused}");
    assert!(!refused.contains("password"), "{refused}");
    fresh.close().await;
    shop.end().await;
    let Some(database) = empty_database().await else { return };
    let used = Ledger::open(&database.url, Access::Create, later()).await.unwrap();
    many_kits(&used, 1).await;
    let refused = restore(&file, &database.url, None, &[], later(), |_, _| ()).await.unwrap_err().to_string();
    assert!(refused.contains("has rows in"), "{refused}");
    clean(&used).await;
    used.close().await;
}
