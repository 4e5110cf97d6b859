//! The place of a test's shop: its own file, or its own database on the PostgreSQL that `FLEECEFOLD_TEST_PG`
//! names (a superuser's address; `tests/run` starts one and sets it).

use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicU32, Ordering};
use tempfile::TempDir;

/// Memory in the form of a folder, for tests that make thousands of shops.
const MEMORY: &str = "/dev/shm";
const FILE: &str = "shop.db";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    Sqlite,
    Postgres,
}

impl fmt::Display for Engine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Sqlite => "sqlite",
            Self::Postgres => "postgres",
        })
    }
}

/// The engines to test on. A missing server is a failure; its tests are never skipped silently.
pub fn engines() -> Vec<Engine> {
    match std::env::var("FLEECEFOLD_TEST_ENGINES").as_deref() {
        Ok("sqlite") => vec![Engine::Sqlite],
        Ok("postgres") => vec![Engine::Postgres],
        Ok(other) => {
            panic!("FLEECEFOLD_TEST_ENGINES is sqlite or postgres, or left out for both; not {other}")
        }
        Err(_) => vec![Engine::Sqlite, Engine::Postgres],
    }
}

fn server() -> String {
    std::env::var("FLEECEFOLD_TEST_PG").unwrap_or_else(|_| {
        panic!(
            "FLEECEFOLD_TEST_PG is not set: these tests need a PostgreSQL. `tests/run --only test -- -p ledger` \
             starts one for them; FLEECEFOLD_TEST_ENGINES=sqlite leaves PostgreSQL out"
        )
    })
}

/// A place for a shop that does not exist yet. It is removed when this is dropped.
#[derive(Debug)]
pub struct Ground {
    pub url: String,
    /// For the shop's file, and for whatever else a test needs.
    pub folder: TempDir,
    database: Option<String>,
}

impl Ground {
    pub fn new(engine: Engine) -> Self {
        Self::within(tempfile::tempdir().expect("a folder"), engine)
    }

    pub fn in_memory(engine: Engine) -> Self {
        Self::within(memory(), engine)
    }

    fn within(folder: TempDir, engine: Engine) -> Self {
        sqlx::any::install_default_drivers();
        let database = (engine == Engine::Postgres).then(new_name);
        if let Some(name) = &database {
            on_server(format!("CREATE DATABASE {name}"));
        }
        Self { url: url_of(&folder, database.as_deref()), folder, database }
    }

    /// A copy in memory of the closed shop here, so that no test waits for migrations.
    #[must_use]
    pub fn copy(&self) -> Self {
        let folder = memory();
        let database = self.database.as_ref().map(|made| {
            let name = new_name();
            on_server(format!("CREATE DATABASE {name} TEMPLATE {made}"));
            name
        });
        for ending in ["", "-wal"] {
            let file = format!("{FILE}{ending}");
            let from = self.path(&file);
            if database.is_none() && from.exists() {
                std::fs::copy(from, folder.path().join(file)).expect("the shop is copied");
            }
        }
        Self { url: url_of(&folder, database.as_deref()), folder, database }
    }

    /// Of a file in the folder.
    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.folder.path().join(name)
    }
}

impl Drop for Ground {
    fn drop(&mut self) {
        if let Some(name) = &self.database {
            on_server(format!("DROP DATABASE {name} WITH (FORCE)"));
        }
    }
}

fn memory() -> TempDir {
    let mut builder = tempfile::Builder::new();
    builder.prefix("fleecefold-test.");
    let made = if Path::new(MEMORY).is_dir() { builder.tempdir_in(MEMORY) } else { builder.tempdir() };
    made.expect("a folder")
}

/// The process id keeps two runs apart.
fn new_name() -> String {
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    format!("shop_{}_{}", std::process::id(), NUMBER.fetch_add(1, Ordering::Relaxed))
}

fn url_of(folder: &TempDir, database: Option<&str>) -> String {
    let Some(name) = database else { return format!("sqlite:{}", folder.path().join(FILE).display()) };
    let server = server();
    let (address, _) = server.rsplit_once('/').expect("FLEECEFOLD_TEST_PG ends in /postgres");
    format!("{address}/{name}")
}

/// Ends the connections that listen for notifications in the database at this address.
pub fn end_listeners(url: &str) {
    let (_, name) = url.rsplit_once('/').expect("an address ends in the database's name");
    on_server(format!(
        "SELECT CAST(COUNT(pg_terminate_backend(pid)) AS BIGINT) FROM pg_stat_activity \
         WHERE datname = '{name}' AND query LIKE 'LISTEN%'"
    ));
}

/// On a thread of its own: a place is made and removed by tests with a runtime and by tests without.
fn on_server(statement: String) {
    let done = std::thread::spawn(move || {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        runtime.expect("a runtime").block_on(async {
            let server = AnyConnection::connect(&server()).await;
            let mut connection = server.expect("the PostgreSQL of FLEECEFOLD_TEST_PG answers");
            sqlx::query(AssertSqlSafe(statement)).execute(&mut connection).await.expect("the server does it");
            connection.close().await.expect("the connection ends");
        });
    });
    // While a test unwinds, a second panic would hide the first.
    assert!(done.join().is_ok() || std::thread::panicking(), "the server of FLEECEFOLD_TEST_PG refused");
}
