//! Backups of a full shop: made while it sells, restored on either engine, and the same afterwards.

use crate::full_shop::{books, clean, code, fill, one_kit, run};
use crate::place::empty_database;
use domain::day::Moment;
use ledger::keeping::restore;
use ledger::people::{By, EditPerson, OfferSecondFactor, Phc, PinChange, SecretHash, SignIn, TryFrom, TryOf};
use ledger::shelf::{AdjustStock, Counted, KeepPictures, Picture, PictureName, SMALLER};
use ledger::{Access, Ledger, ManualClock};
use sha2::{Digest, Sha256};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicI64, Ordering};
use std::time::Duration;
use testkit::make::asked;
use testkit::{START, TestShop, shops};

/// A clock one hour after the tests' shops were filled.
pub(crate) fn later() -> Arc<ManualClock> {
    Arc::new(ManualClock::at(START.plus_millis(3_600_000)))
}

/// A backup's rows, sorted: pages follow the engine's order of text.
fn rows(file: &Path) -> Vec<String> {
    let text = std::fs::read_to_string(file).unwrap();
    let mut rows: Vec<String> = text.lines().filter(|l| l.starts_with('[')).map(str::to_owned).collect();
    rows.sort();
    rows
}

async fn same_shop(shop: &TestShop, file: &Path, url: &str, folder: &Path) {
    let restored = restore(file, url, None, &[], later(), |_, _| ()).await.unwrap();
    assert!(restored.check.is_clean(), "{:?}", restored.check);
    assert_eq!(restored.rows, rows(file).len() as u64);
    let other = Ledger::open(url, Access::Write, later()).await.unwrap();
    assert_eq!(books(&other).await, books(&shop.ledger).await, "{} to {url}", shop.engine);
    assert_eq!(other.shop(), shop.ledger.shop());
    let again = folder.join("again.backup");
    other.backup(&again, |_, _| ()).await.unwrap();
    assert_eq!(rows(&again), rows(file), "{} to {url}", shop.engine);
    std::fs::remove_file(&again).unwrap();
    // It continues where the other one stopped: the next receipt, the next in-store code.
    let before = other.item(&code("KIT")).await.unwrap();
    let sold = run(&other, one_kit()).await;
    assert_eq!(Some(sold.receipt), last_receipt(file).map(|r| r + 1));
    assert_ne!(other.item(&code("KIT")).await.unwrap().on_hand, before.on_hand);
    clean(&other).await;
    other.close().await;
}

fn last_receipt(file: &Path) -> Option<i64> {
    let row = rows(file).into_iter().find(|row| row.starts_with("[\"shop_state\""))?;
    serde_json::from_str::<Vec<serde_json::Value>>(&row).ok()?.get(2)?.as_i64()
}

#[tokio::test]
async fn a_shop_is_the_same_on_either_engine() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.backup");
        let done = shop.ledger.backup(&file, |_, _| ()).await.unwrap();
        assert_eq!(done.rows, rows(&file).len() as u64);
        let url = format!("sqlite:{}", folder.path().join("new 100%#.db").display());
        same_shop(&shop, &file, &url, folder.path()).await;
        if let Some(database) = empty_database().await {
            same_shop(&shop, &file, &database.url, folder.path()).await;
        }
        let left: Vec<PathBuf> = hidden(folder.path());
        assert!(left.is_empty(), "{left:?}");
        shop.end().await;
    }
}

/// Temporary files of a backup or a restore that were left behind.
pub(crate) fn hidden(folder: &Path) -> Vec<PathBuf> {
    let names = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
    names.filter(|path| path.file_name().unwrap().to_string_lossy().starts_with('.')).collect()
}

/// The backup is paused in the middle until more was sold; it must still contain a single moment.
#[tokio::test(flavor = "multi_thread", worker_threads = 3)]
async fn a_backup_is_of_one_moment_while_the_shop_sells() {
    for shop in shops().await {
        fill(&shop).await;
        // More than can be sold before the backup ends, however slow it is.
        let what = Counted::More(asked("100000"));
        let who = "maker".to_owned();
        run(&shop.ledger, AdjustStock { code: code("KIT"), what, note: String::new(), who }).await;
        let (sold, enough) = (Arc::new(AtomicI64::new(0)), Arc::new(AtomicBool::new(false)));
        let counter = tokio::spawn({
            let (ledger, sold, enough) = (shop.ledger.clone(), sold.clone(), enough.clone());
            async move {
                while !enough.load(Ordering::SeqCst) {
                    run(&ledger, one_kit()).await;
                    sold.fetch_add(1, Ordering::SeqCst);
                }
            }
        });
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.backup");
        let (mut at_start, mut at_end) = (0, 0);
        let done = shop.ledger.backup(&file, |table, _| match table {
            "setting" => at_start = wait_for(&sold, 1),
            "item" | "sale" | "sale_line" => at_end = wait_for(&sold, 2),
            _ => {}
        });
        done.await.unwrap();
        enough.store(true, Ordering::SeqCst);
        counter.await.unwrap();
        assert!(at_end >= at_start + 4, "{}: nothing was sold meanwhile", shop.engine);
        let url = format!("sqlite:{}", folder.path().join("new.db").display());
        let restored = restore(&file, &url, None, &[], later(), |_, _| ()).await.unwrap();
        assert!(restored.check.is_clean(), "{}: {:?}", shop.engine, restored.check);
        clean(&shop.ledger).await;
        shop.end().await;
    }
}

/// Waits until this many more were sold; returns how many there are.
fn wait_for(sold: &AtomicI64, more: i64) -> i64 {
    let before = sold.load(Ordering::SeqCst);
    for _ in 0..2000 {
        let now = sold.load(Ordering::SeqCst);
        if now >= before + more {
            return now;
        }
        std::thread::sleep(Duration::from_millis(5));
    }
    panic!("nothing more was sold for 10 seconds");
}

#[tokio::test]
async fn a_backup_never_overwrites_a_file() {
    for shop in shops().await {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.backup");
        shop.ledger.backup(&file, |_, _| ()).await.unwrap();
        let earlier = std::fs::read(&file).unwrap();
        fill(&shop).await;
        let refused = shop.ledger.backup(&file, |_, _| ()).await.unwrap_err();
        assert!(refused.to_string().contains("never overwrites a file"), "{refused}");
        assert_eq!(std::fs::read(&file).unwrap(), earlier);
        // One that comes while the backup is written stays too.
        let meanwhile = folder.path().join("meanwhile.backup");
        let put = |_: &str, _: u64| std::fs::write(&meanwhile, "theirs").unwrap();
        let refused = shop.ledger.backup(&meanwhile, put).await.unwrap_err();
        assert!(refused.to_string().contains("never overwrites a file"), "{refused}");
        assert_eq!(std::fs::read_to_string(&meanwhile).unwrap(), "theirs");
        let other = folder.path().join("notes.txt");
        std::fs::write(&other, "yarn to order").unwrap();
        let refused = shop.ledger.backup(&other, |_, _| ()).await.unwrap_err();
        assert!(refused.to_string().contains("never overwrites a file"), "{refused}");
        assert_eq!(std::fs::read_to_string(&other).unwrap(), "yarn to order");
        let nowhere = folder.path().join("none/shop.backup");
        let refused = shop.ledger.backup(&nowhere, |_, _| ()).await.unwrap_err();
        assert!(refused.to_string().contains("cannot be written"), "{refused}");
        assert_eq!(hidden(folder.path()), Vec::<PathBuf>::new());
        shop.end().await;
    }
}

/// A restored shop must never create an identifier that the backup contains.
#[tokio::test]
async fn a_clock_behind_the_backup_is_refused() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.backup");
        shop.ledger.backup(&file, |_, _| ()).await.unwrap();
        let url = format!("sqlite:{}", folder.path().join("new.db").display());
        let clock = Arc::new(ManualClock::at(Moment::from_millis(START.millis() - 1)));
        let refused = restore(&file, &url, None, &[], clock, |_, _| ()).await.unwrap_err();
        assert!(refused.to_string().contains("set the clock right first"), "{refused}");
        assert!(!folder.path().join("new.db").exists());
        shop.end().await;
    }
}

/// The shop's one photograph as files: the largest is named by its own hash.
fn photograph(folder: &Path, largest: &[u8]) -> (PictureName, Vec<String>) {
    let hash = Sha256::digest(largest).iter().fold(String::new(), |text, byte| format!("{text}{byte:02x}"));
    let name = PictureName::parse(&hash).unwrap();
    let files = [name.file(), name.smaller_file(SMALLER[0]), name.smaller_file(SMALLER[1])];
    std::fs::create_dir_all(folder).unwrap();
    for (file, bytes) in files.iter().zip([largest, b"a page", b"a tag"]) {
        std::fs::write(folder.join(file), bytes).unwrap();
    }
    (name, files.to_vec())
}

#[tokio::test]
async fn the_photographs_are_in_the_backup_each_by_its_hash() {
    for shop in shops().await {
        fill(&shop).await;
        let folder = tempfile::tempdir().unwrap();
        let at = |name: &str| folder.path().join(name);
        shop.ledger.keep_pictures_in(at("images"));
        let file = at("shop.backup");
        let (name, files) = photograph(&at("images"), b"a photograph\0\xff");
        let picture = Picture { name, width: 2, height: 1, bytes: 14, lightness: 50 };
        run(&shop.ledger, KeepPictures { pictures: vec![picture], who: "maker".to_owned() }).await;
        let done = shop.ledger.backup(&file, |_, _| ()).await.unwrap();
        // The full shop has another one whose files never existed.
        assert_eq!((done.files, done.missing, done.left_out.len()), (3, 3, 3), "{}", shop.engine);
        assert!(done.left_out.iter().all(|l| l.why == "it is not there"), "{:?}", done.left_out);
        for (place, said) in [("one", None), ("two", Some(at("photographs")))] {
            std::fs::create_dir(at(place)).unwrap();
            let url = format!("sqlite:{}", at(place).join("new.db").display());
            let restored = restore(&file, &url, said.as_deref(), &[], later(), |_, _| ()).await.unwrap();
            assert_eq!(restored.files, 3);
            let folder = said.unwrap_or_else(|| at(place).join("images"));
            for (file, bytes) in files.iter().zip([b"a photograph\0\xff".as_slice(), b"a page", b"a tag"]) {
                assert_eq!(std::fs::read(folder.join(file)).unwrap(), bytes, "{file}");
            }
            assert_eq!(hidden(&folder), Vec::<PathBuf>::new());
        }
        // Another file under one of their names: nothing is restored, nothing is left.
        std::fs::create_dir_all(at("three/images")).unwrap();
        std::fs::write(at("three/images").join(&files[2]), "another").unwrap();
        let url = format!("sqlite:{}", at("three").join("new.db").display());
        let refused = restore(&file, &url, None, &[], later(), |_, _| ()).await.unwrap_err().to_string();
        assert!(refused.contains("is another picture"), "{refused}");
        assert_eq!(std::fs::read_dir(at("three/images")).unwrap().count(), 1);
        assert_eq!(std::fs::read_dir(at("three")).unwrap().count(), 1);
        // A file whose contents no longer match its name is left out and reported.
        std::fs::write(at("images").join(&files[0]), "spoiled").unwrap();
        std::fs::remove_file(&file).unwrap();
        let done = shop.ledger.backup(&file, |_, _| ()).await.unwrap();
        let damaged: Vec<_> = done.left_out.iter().filter(|l| l.why == "it is damaged").collect();
        assert_eq!((done.files, damaged.len(), &damaged[0].name), (2, 1, &files[0]));
        shop.end().await;
    }
}

#[tokio::test]
async fn a_shop_on_a_server_says_where_its_photographs_go() {
    let Some(database) = empty_database().await else { return };
    let folder = tempfile::tempdir().unwrap();
    let url = format!("sqlite:{}", folder.path().join("shop.db").display());
    let ledger = Ledger::open(&url, Access::Create, later()).await.unwrap();
    let (name, files) = photograph(&folder.path().join("images"), b"a photograph");
    let picture = Picture { name, width: 2, height: 1, bytes: 12, lightness: 50 };
    run(&ledger, KeepPictures { pictures: vec![picture], who: "maker".to_owned() }).await;
    let file = folder.path().join("shop.backup");
    ledger.backup(&file, |_, _| ()).await.unwrap();
    ledger.close().await;
    let much_later = || Arc::new(ManualClock::at(START.plus_millis(7_200_000)));
    let refused =
        restore(&file, &database.url, None, &[], much_later(), |_, _| ()).await.unwrap_err().to_string();
    assert!(refused.contains("3 files of photographs") && refused.contains("--pictures"), "{refused}");
    let said = folder.path().join("there");
    restore(&file, &database.url, Some(&said), &[], much_later(), |_, _| ()).await.unwrap();
    assert!(files.iter().all(|file| said.join(file).is_file()));
}

/// What gives access to the shop: hashes of passwords, PINs and cookies.
fn secrets() -> [String; 4] {
    let hash = |secret: &str| {
        Sha256::digest(secret.as_bytes()).iter().fold(String::new(), |text, byte| format!("{text}{byte:02x}"))
    };
    // The device and the session of the full shop and of the test below.
    ["$argon2".to_owned(), "aGFzaA".to_owned(), hash("device"), hash("cookie")]
}

/// A second factor's key, as apps take it.
const SECOND_FACTOR: &str = "GEZDGNBVGY3TQOJQGEZDGNBVGY3TQOJQ";

// OWASP ASVS 5.0.0, 13.3.1 and 14.2.4: whoever finds a backup must not be able to guess a PIN from it.
#[tokio::test]
async fn no_backup_holds_what_opens_the_shop() {
    for shop in shops().await {
        fill(&shop).await;
        let ledger = &shop.ledger;
        let maud = ledger.people().await.unwrap().remove(0);
        let phc = || Phc::new("$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA".to_owned()).unwrap();
        let edit = |password: Option<Phc>, pin: Option<PinChange>| EditPerson {
            person: maud.id,
            role: None,
            password,
            pin,
            keep: None,
            who: "owner".to_owned(),
        };
        run(ledger, edit(None, Some(PinChange::New(phc())))).await;
        let sign_in = SignIn {
            person: maud.id,
            by: By::Password,
            checked: phc(),
            stronger: None,
            session: SecretHash::of("cookie"),
            form_token: "form".to_owned(),
            device: None,
            before: None,
            tried: TryOf::password("Maud", &TryFrom::Stranger("::1")),
            second: None,
            known: None,
            address: String::new(),
            browser: String::new(),
        };
        run(ledger, sign_in).await;
        run(ledger, OfferSecondFactor { person: maud.id, secret: SECOND_FACTOR.to_owned() }).await;
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.backup");
        ledger.backup(&file, |_, _| ()).await.unwrap();
        let text = std::fs::read_to_string(&file).unwrap();
        for secret in secrets().into_iter().chain([SECOND_FACTOR.to_owned()]) {
            assert!(!text.contains(&secret), "{}: {secret} stands in the backup", shop.engine);
        }
        let url = format!("sqlite:{}", folder.path().join("new.db").display());
        restore(&file, &url, None, &[], later(), |_, _| ()).await.unwrap();
        let other = Ledger::open(&url, Access::Write, later()).await.unwrap();
        let again = other.people().await.unwrap().remove(0);
        assert_eq!((again.name.as_str(), again.role, again.has_pin), ("Maud", maud.role, false));
        assert!(
            other.password_of("Maud").await.unwrap().is_none()
                && other.second_factor(maud.id).await.unwrap().is_none()
        );
        assert!(other.has_people().await.unwrap(), "nobody else sets the shop up anew");
        run(&other, edit(Some(phc()), None)).await;
        assert!(other.password_of("Maud").await.unwrap().is_some());
        other.close().await;
        shop.end().await;
    }
}
