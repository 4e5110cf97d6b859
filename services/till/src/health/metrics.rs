//! GET /metrics

use crate::app::App;
use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};

/// Prometheus' text exposition format.
const EXPOSITION: &str = "text/plain; version=0.0.4; charset=utf-8";

/// Counters of requests, sales, problems and swept holds, and latencies, as Prometheus reads them.
#[utoipa::path(get, path = "/metrics", tag = "health",
    responses((status = 200, description = "The counters.", body = String, content_type = "text/plain")))]
pub(crate) async fn read_metrics(State(app): State<App>) -> Response {
    ([(header::CONTENT_TYPE, EXPOSITION)], app.meters.render()).into_response()
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

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
