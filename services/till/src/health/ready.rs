//! GET /health/ready

use super::live::Health;
use crate::app::App;
use crate::problem::{Problem, ProblemDocument};
use axum::Json;
use axum::extract::State;

/// Whether the database answers and accepts writes, so that requests can be served.
#[utoipa::path(get, path = "/health/ready", tag = "health", responses(
    (status = 200, description = "All is well.", body = Health),
    (status = 503, description = "away", body = ProblemDocument, content_type = "application/problem+json"),
))]
pub(crate) async fn is_ready(State(app): State<App>) -> Result<Json<Health>, Problem> {
    app.ledger.ready().await.map_err(|failure| Problem::away(&failure))?;
    Ok(Json(Health { status: "ready" }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn it_is_ready_while_the_database_answers() {
        let shop = TestShop::open().await;
        assert_eq!(shop.get("/health/ready").await.json()["status"], "ready");
        shop.ledger().close().await;
        let reply = shop.get("/health/ready").await;
        reply.expect_problem("away", 503);
        assert_eq!(reply.header("retry-after"), Some("1"));
    }
}
