//! The place of a test's shop: its own file, or its own database on the PostgreSQL that
//! `FLEECEFOLD_TEST_PG` names (a
//! superuser's address; `tests/run` starts one and sets it).

use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use std::sync::atomic::{AtomicU32, Ordering};

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Engine {
    Sqlite,
    Postgres,
}

/// The engines to test on. A missing server is a failure; its tests are never skipped silently.
pub(crate) fn engines() -> Vec<Engine> {
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

/// A place for a shop that does not exist yet; to be removed at the end of the test.
pub(crate) struct Ground {
    pub(crate) url: String,
    kind: Kind,
}

enum Kind {
    File(tempfile::TempDir),
    Database(String),
}

pub(crate) async fn ground(engine: Engine) -> Ground {
    /// Numbers each test's database; the process id keeps two runs apart.
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    sqlx::any::install_default_drivers();
    match engine {
        Engine::Sqlite => {
            let folder = tempfile::tempdir().expect("a folder");
            let url = format!("sqlite:{}", folder.path().join("shop.db").display());
            Ground { url, kind: Kind::File(folder) }
        }
        Engine::Postgres => {
            let name = format!("shop_{}_{}", std::process::id(), NUMBER.fetch_add(1, Ordering::Relaxed));
            on_server(format!("CREATE DATABASE {name}")).await;
            let server = server();
            let (address, _) = server.rsplit_once('/').expect("FLEECEFOLD_TEST_PG ends in /postgres");
            Ground { url: format!("{address}/{name}"), kind: Kind::Database(name) }
        }
    }
}

impl Ground {
    pub(crate) async fn clear(self) {
        match self.kind {
            Kind::File(folder) => folder.close().expect("the folder goes"),
            Kind::Database(name) => on_server(format!("DROP DATABASE {name} WITH (FORCE)")).await,
        }
    }
}

/// Ends the connections that listen for notifications in the database at this address.
#[allow(dead_code, reason = "each test binary uses a part of this file")]
pub(crate) async fn end_listeners(url: &str) {
    let (_, name) = url.rsplit_once('/').expect("an address ends in the database's name");
    on_server(format!(
        "SELECT CAST(COUNT(pg_terminate_backend(pid)) AS BIGINT) FROM pg_stat_activity \
         WHERE datname = '{name}' AND query LIKE 'LISTEN%'"
    ))
    .await;
}

async fn on_server(statement: String) {
    let server = AnyConnection::connect(&server()).await;
    let mut connection = server.expect("the PostgreSQL of FLEECEFOLD_TEST_PG answers");
    sqlx::query(AssertSqlSafe(statement)).execute(&mut connection).await.expect("the server does it");
    connection.close().await.expect("the connection ends");
}
