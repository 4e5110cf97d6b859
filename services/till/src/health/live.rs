//! GET /health/live

use axum::Json;
use serde::Serialize;
use utoipa::ToSchema;

/// A word that everything is fine.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct Health {
    /// `live` or `ready`.
    pub(crate) status: &'static str,
}

/// Whether the program runs; says nothing about the database.
#[utoipa::path(get, path = "/health/live", tag = "health",
    responses(
        (status = 200, description = "All is well.", body = Health),
    ))]
pub(crate) async fn is_live() -> Json<Health> {
    Json(Health { status: "live" })
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn it_lives_even_when_the_database_is_gone() {
        let shop = TestShop::open().await;
        shop.ledger().close().await;
        let reply = shop.get("/health/live").await;
        assert_eq!((reply.status, reply.json()["status"].as_str()), (200, Some("live")));
    }
}
