//! Opening a shop: by several processes at once, and where nothing may be written.

use crate::harness::{START, on_each};
use crate::make::*;
use ledger::books::{BooksBy, BooksQuery};
use ledger::shelf::ShelfQuery;
use ledger::{Access, Ledger, ManualClock, SystemClock};
use sqlx::AssertSqlSafe;
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::sync::Arc;
use testkit::Ground;
use testkit::SmallDisk;
use testkit::{Engine, engines};

/// Four first commands at once create one shop, whichever comes first. Each has its own threads, as
/// programs have.
#[test]
fn first_commands_at_once_make_one_shop() {
    let runtime = || tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
    let own = runtime();
    for engine in engines() {
        for round in 0..6 {
            let ground = Ground::new(engine);
            let start = std::sync::Barrier::new(4);
            std::thread::scope(|scope| {
                for number in 0..4 {
                    let (url, start) = (&ground.url, &start);
                    scope.spawn(move || {
                        runtime().block_on(async {
                            start.wait();
                            let opened = Ledger::open(url, Access::Create, Arc::new(SystemClock)).await;
                            let ledger =
                                opened.unwrap_or_else(|trouble| panic!("{engine:?} {round}: {trouble:?}"));
                            let one = add(vec![counted(&format!("c{number}"), "5", 100)]);
                            ledger.execute(None, &one).await.unwrap();
                            ledger.close().await;
                        });
                    });
                }
            });
            own.block_on(async {
                let ledger = Ledger::open(&ground.url, Access::Read, Arc::new(SystemClock)).await.unwrap();
                for number in 0..4 {
                    ledger.item(&code(&format!("c{number}"))).await.unwrap();
                }
                assert!(ledger.check(|_| ()).await.unwrap().is_clean());
                ledger.close().await;
            });
        }
    }
}

/// What the reading commands ask.
async fn is_read(url: &str) {
    let ledger = Ledger::open(url, Access::Read, Arc::new(SystemClock)).await.unwrap();
    assert_eq!(ledger.item(&code("c1")).await.unwrap().on_hand.stock_units(), 4);
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    assert_eq!(ledger.books(&query).await.unwrap()[0].figures.gross, usd(100));
    assert!(ledger.check(|_| ()).await.unwrap().is_clean());
    ledger.shelf(&ShelfQuery::default()).await.unwrap();
    ledger.people().await.unwrap();
    let folder = tempfile::tempdir().unwrap();
    ledger.backup(&folder.path().join("shop.backup"), |_, _| ()).await.unwrap();
    ledger.close().await;
}

async fn make(file: &Path) -> String {
    let url = format!("sqlite:{}", file.display());
    let ledger = Ledger::open(&url, Access::Create, Arc::new(ManualClock::at(START))).await.unwrap();
    ledger.execute(None, &add(vec![counted("c1", "5", 100)])).await.unwrap();
    ledger.execute(None, &sale_of("c1", 100)).await.unwrap();
    ledger.close().await;
    url
}

#[tokio::test]
async fn a_file_that_may_only_be_read_is_read() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shop.db");
    let url = make(&file).await;
    let set = |path: &Path, mode| fs::set_permissions(path, fs::Permissions::from_mode(mode)).unwrap();
    set(&file, 0o444);
    is_read(&url).await;
    set(folder.path(), 0o555);
    is_read(&url).await;
    set(folder.path(), 0o755);
    // Permissions do not apply to root; a disk that is mounted read-only does.
    let Some(disk) = SmallDisk::mount(16) else { return };
    let url = make(&disk.path().join("shop.db")).await;
    disk.lock();
    is_read(&url).await;
    let told = Ledger::open(&url, Access::Write, Arc::new(SystemClock)).await.unwrap_err().to_string();
    assert!(told.contains("may not be written"), "{told}");
}

/// For a role of the temporary cluster only.
const READER_PASSWORD: &str = "only-to-read";

#[test]
fn a_role_that_may_only_read_reads() {
    on_each(|shop| async move {
        if shop.engine == Engine::Sqlite {
            return;
        }
        shop.ok(add(vec![counted("c1", "5", 100)])).await;
        shop.ok(sale_of("c1", 100)).await;
        let role = format!("reader_{}", shop.url.rsplit('/').next().unwrap());
        for text in [
            format!("CREATE ROLE {role} LOGIN PASSWORD '{READER_PASSWORD}'"),
            format!("GRANT SELECT ON ALL TABLES IN SCHEMA public TO {role}"),
        ] {
            sqlx::query(AssertSqlSafe(text)).execute(&mut *shop.raw().await).await.unwrap();
        }
        let (_, place) = shop.url.split_once('@').unwrap();
        is_read(&format!("postgres://{role}:{READER_PASSWORD}@{place}")).await;
        for text in [format!("DROP OWNED BY {role}"), format!("DROP ROLE {role}")] {
            sqlx::query(AssertSqlSafe(text)).execute(&mut *shop.raw().await).await.unwrap();
        }
    });
}
