//! A database without a shop, to put a backup into.

use sqlx::{AnyConnection, AssertSqlSafe, Connection};
use std::sync::atomic::{AtomicU32, Ordering};

pub(crate) struct Database {
    pub(crate) url: String,
    server: String,
    name: String,
}

/// None where the tests are told to leave PostgreSQL out.
pub(crate) async fn empty_database() -> Option<Database> {
    static NEXT: AtomicU32 = AtomicU32::new(0);
    if std::env::var("FLEECEFOLD_TEST_ENGINES").as_deref() == Ok("sqlite") {
        return None;
    }
    let server =
        std::env::var("FLEECEFOLD_TEST_PG").expect("FLEECEFOLD_TEST_PG names a PostgreSQL superuser");
    let name = format!("empty_{}_{}", std::process::id(), NEXT.fetch_add(1, Ordering::SeqCst));
    on_server(&server, format!("CREATE DATABASE {name}")).await;
    let (host, _) = server.rsplit_once('/').expect("the address ends with a database");
    Some(Database { url: format!("{host}/{name}"), server: server.clone(), name })
}

impl Database {
    pub(crate) async fn end(self) {
        on_server(&self.server, format!("DROP DATABASE {} WITH (FORCE)", self.name)).await;
    }
}

async fn on_server(server: &str, statement: String) {
    let mut connection = AnyConnection::connect(server).await.expect("the server answers");
    sqlx::query(AssertSqlSafe(statement)).execute(&mut connection).await.expect("the server does it");
}
