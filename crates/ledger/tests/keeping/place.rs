//! A database without a shop, for restoring a backup, and access that bypasses the ledger.

use sqlx::{AnyConnection, Connection};
use testkit::TestShop;
use testkit::{Engine, Ground, engines};

/// None if the tests are told to leave PostgreSQL out.
pub(crate) async fn empty_database() -> Option<Ground> {
    if engines().contains(&Engine::Postgres) { Some(Ground::new(Engine::Postgres)) } else { None }
}

/// A plain connection, for what the ledger itself would never do.
pub(crate) async fn connection(shop: &TestShop) -> AnyConnection {
    let url = shop.ground.url.replace("sqlite:", "sqlite://");
    AnyConnection::connect(&url).await.expect("a bare connection")
}
