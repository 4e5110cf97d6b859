//! GET /api/connections

use crate::app::App;
use crate::meters::connections::lag_seconds;
use crate::problem::{Problem, ReadProblems};
use axum::Json;
use axum::extract::State;
use domain::day::Moment;
use ledger::online::ConnectionStatus;
use serde::Serialize;
use utoipa::ToSchema;

/// The connections to online shops.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ConnectionsShown {
    connections: Vec<ConnectionShown>,
}

/// A connection, and how it is doing.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ConnectionShown {
    name: String,
    /// The channel of its orders.
    channel: String,
    /// Seconds since the oldest change that could be sent and was not; null if there is none.
    lag_seconds: Option<String>,
    /// Items with something to send, including those whose message needs attention.
    waiting: String,
    /// Items whose message was refused and needs attention.
    parked: String,
    /// Messages accepted since the connection was made.
    sent: String,
    /// Messages refused since the connection was made.
    refused: String,
    /// Orders that could not be taken in yet.
    orders_deferred: String,
    /// Differences that wait for a decision.
    differences: String,
    /// When its shop last answered; null if never.
    last_contact: Option<String>,
    /// Until when it is paused; null if it is not.
    quiet_until: Option<String>,
    /// Webhooks without a valid signature since the connection was made.
    unsigned_hooks: String,
    /// The latest problem; null if there is none.
    last_trouble: Option<String>,
    /// When the latest problem was.
    trouble_at: Option<String>,
    /// All current problems, latest first.
    troubles: Vec<TroubleShown>,
}

/// A current problem of a connection.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct TroubleShown {
    /// What it is about: connection, messages, orders, listings or hooks.
    what: String,
    words: String,
    at: String,
}

fn shown(status: ConnectionStatus, now: Moment) -> ConnectionShown {
    ConnectionShown {
        lag_seconds: lag_seconds(&status, now).map(|lag| lag.to_string()),
        name: status.name,
        channel: status.channel,
        waiting: status.waiting.to_string(),
        parked: status.parked.to_string(),
        sent: status.sent.to_string(),
        refused: status.refused.to_string(),
        orders_deferred: status.orders_deferred.to_string(),
        differences: status.differences.to_string(),
        last_contact: status.last_contact.map(|at| at.to_string()),
        quiet_until: status.quiet_until.map(|until| until.to_string()),
        last_trouble: Some(status.last_trouble).filter(|words| !words.is_empty()),
        trouble_at: status.trouble_at.map(|at| at.to_string()),
        unsigned_hooks: status.unsigned_hooks.to_string(),
        troubles: status
            .troubles
            .into_iter()
            .map(|t| TroubleShown { what: t.of.code().to_owned(), words: t.words, at: t.at.to_string() })
            .collect(),
    }
}

/// How the connections to online shops are doing.
#[utoipa::path(get, path = "/api/connections", tag = "online",
    responses((status = 200, description = "All of them.", body = ConnectionsShown), ReadProblems))]
pub(crate) async fn list_connections(State(app): State<App>) -> Result<Json<ConnectionsShown>, Problem> {
    let statuses = app.ledger.connection_statuses().await?;
    let now = app.ledger.now();
    Ok(Json(ConnectionsShown { connections: statuses.into_iter().map(|s| shown(s, now)).collect() }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_connection_tells_how_it_does() {
        let shop = TestShop::open().await.with_connection_adapter();
        assert_eq!(shop.get("/api/connections").await.json(), json!({"connections": []}));
        shop.connect("village").await;
        shop.put_on("village", &["COWL"]).await;
        shop.advance_millis(90_500);
        let reply = shop.get("/api/connections").await;
        let expected = json!({"name": "village", "channel": "online", "lagSeconds": "90", "waiting": "1",
            "parked": "0", "sent": "0", "refused": "0", "ordersDeferred": "0", "differences": "0", "lastContact": null,
            "quietUntil": null, "unsignedHooks": "0", "lastTrouble": null, "troubleAt": null, "troubles": []});
        assert_eq!(reply.json()["connections"][0], expected, "{}", reply.text());
        assert!(reply.has_no_number());
        shop.park("village", "COWL", "422: a picture is wanted").await;
        let one = shop.get("/api/connections").await.json()["connections"][0].clone();
        // A message that needs attention is no lag.
        assert_eq!(
            (&one["lagSeconds"], &one["parked"], &one["refused"]),
            (&json!(null), &json!("1"), &json!("1"))
        );
    }
}
