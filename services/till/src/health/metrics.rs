//! GET /metrics

use crate::app::App;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

/// Prometheus' text exposition format.
const EXPOSITION: &str = "text/plain; version=0.0.4; charset=utf-8";

/// Counters of requests, sales, problems and expired holds, latencies, and how each connection to an online
/// shop is doing, for Prometheus.
#[utoipa::path(get, path = "/metrics", tag = "health",
    responses((status = 200, description = "The counters.", body = String, content_type = "text/plain")))]
pub(crate) async fn read_metrics(State(app): State<App>) -> Response {
    let mut text = app.meters.render();
    match app.connection_meters.read(&app.ledger).await {
        Ok(connections) => text.push_str(&connections),
        // Counters are reported even while the database does not answer.
        Err(failure) => tracing::warn!(%failure, "the connections cannot be looked at"),
    }
    ([(header::CONTENT_TYPE, EXPOSITION)], text).into_response()
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn each_connection_is_seen_from_outside() {
        let shop = TestShop::open().await;
        shop.connect("village").await;
        shop.connect("market").await;
        shop.put_on("village", &["COWL", "HAT"]).await;
        shop.park("village", "HAT", "422: odd").await;
        shop.advance_millis(61_000);
        let text = shop.get("/metrics").await.text().to_owned();
        let check = |line: &str| assert!(text.lines().any(|l| l == line), "{line} is not in\n{text}");
        check("fleecefold_sync_lag_seconds{connection=\"village\"} 61");
        check("fleecefold_sync_lag_seconds{connection=\"market\"} 0");
        check("fleecefold_sync_waiting{connection=\"village\"} 2");
        check("fleecefold_sync_parked{connection=\"village\"} 1");
        check("fleecefold_sync_refused_total{connection=\"village\"} 1");
        check("fleecefold_sync_sent_total{connection=\"village\"} 0");
        check("fleecefold_sync_orders_deferred{connection=\"village\"} 0");
        assert!(!text.contains("fleecefold_sync_contact_seconds{connection=\"market\"}"), "{text}");
        // Read once a second at most; an ended connection is gone.
        shop.end_connection("market").await;
        assert!(shop.get("/metrics").await.text().contains("market"));
        shop.advance_millis(1000);
        assert!(!shop.get("/metrics").await.text().contains("market"));
    }

    #[tokio::test]
    async fn what_happened_is_counted() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        shop.sell("COWL", "k1").await;
        shop.post("/api/sales", "k2", TestShop::cash_sale("COWL")).await.expect_problem("already-sold", 409);
        shop.get("/api/items/NOPE").await.expect_problem("unknown-code", 404);
        shop.get("/api/nowhere").await.expect_problem("not-found", 404);
        let reply = shop.get("/metrics").await;
        assert_eq!(reply.header("content-type"), Some("text/plain; version=0.0.4; charset=utf-8"));
        let text = reply.text();
        let check = |line: &str| assert!(text.lines().any(|l| l == line), "{line} is not in\n{text}");
        check("fleecefold_sales_total 1");
        check("fleecefold_holds_swept_total 0");
        check("fleecefold_problems_total{type=\"already-sold\"} 1");
        check("fleecefold_problems_total{type=\"not-found\"} 1");
        check("fleecefold_http_requests_total{route=\"/api/sales\",method=\"POST\",status=\"201\"} 2");
        check("fleecefold_http_requests_total{route=\"/api/items/{code}\",method=\"GET\",status=\"404\"} 1");
        check("fleecefold_http_requests_total{route=\"none\",method=\"GET\",status=\"404\"} 1");
        check("fleecefold_http_request_seconds_count{route=\"/api/sales\",method=\"POST\"} 3");
    }
}
