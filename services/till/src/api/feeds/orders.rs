//! POST /api/feeds/orders

use crate::api::answer::Answer;
use crate::app::App;
use crate::feed_adapter::FeedTrouble;
use crate::problem::{KeyHeader, Kind, Problem, WriteProblems};
use crate::request::body::WriteBytes;
use crate::request::caller::Caller;
use crate::request::query::QueryParam;
use async_trait::async_trait;
use axum::extract::State;
use domain::text;
use ledger::{Command, CommandError, Tx};
use serde::Deserialize;
use serde_json::Value;
use utoipa::IntoParams;

/// The path of this endpoint.
pub(crate) const PATH: &str = "/api/feeds/orders";
/// The name of a feed without one.
const NAMELESS: &str = "orders";

/// How to take in the feed.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct FeedQuery {
    /// Its name in reports; `orders` if left out.
    name: Option<String>,
    /// `true`: only reports what would happen.
    #[serde(rename = "dry-run")]
    dry_run: Option<String>,
}

impl FeedQuery {
    fn read(&self) -> Result<(String, bool), Problem> {
        let name = text::name(self.name.as_deref().unwrap_or(NAMELESS))
            .map_err(|error| Problem::invalid_parameter("name", error))?;
        let dry_run = match self.dry_run.as_deref() {
            Some("" | "true") => true,
            None | Some("false") => false,
            Some(_) => return Err(Problem::invalid_parameter("dry-run", "write true or false")),
        };
        Ok((name, dry_run))
    }
}

/// Stores the answer for a feed under its key. The feed itself was taken in before, in its own transactions,
/// and is recognized by its bytes.
struct KeepReport(Value);

#[async_trait]
impl Command for KeepReport {
    type Answer = Value;

    async fn run(&self, _: &mut Tx) -> Result<Value, CommandError> {
        Ok(self.0.clone())
    }
}

impl From<FeedTrouble> for Problem {
    fn from(trouble: FeedTrouble) -> Self {
        match trouble {
            FeedTrouble::Unreadable(words) => Self::invalid("#", words),
            FeedTrouble::Ledger(failure) => failure.into(),
            FeedTrouble::Stopped { done, source } => Self::from(*source).with_more(&format!(
                "Before that {done}; this stays, and the same feed can be sent again: nothing is taken twice"
            )),
            FeedTrouble::Other(source) => {
                let words = "the feed could not be taken in; look into the program's log";
                Self::new(Kind::StorageError, words).because(source.as_ref())
            }
        }
    }
}

/// Takes in a JSON feed of orders, with the field names of `fleecefold feed in`. The report names rejected
/// orders; the others are taken in.
#[utoipa::path(post, path = PATH, tag = "online", params(FeedQuery, KeyHeader), request_body = Object,
    responses((status = 200, description = "The report.", body = Object), WriteProblems))]
pub(crate) async fn take_orders(
    State(app): State<App>,
    caller: Caller,
    QueryParam(asked): QueryParam<FeedQuery>,
    write: WriteBytes,
) -> Result<Answer<Value>, Problem> {
    let (name, dry_run) = asked.read()?;
    if let Some(report) = app.ledger.answered::<Value>(&write.key).await? {
        return Ok(Answer::ok(true, report));
    }
    let Some(adapter) = &app.feed_adapter else {
        return Err(Problem::new(Kind::NotFound, "no feeds are taken in here"));
    };
    let report = adapter.take_orders(name, write.bytes.to_vec(), dry_run, caller.actor()).await?;
    let done = app.run(&write.key, &KeepReport(report)).await?;
    Ok(Answer::ok(done.replayed, done.answer))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use domain::people::Role;
    use serde_json::json;

    #[tokio::test]
    async fn a_feed_is_handed_to_the_adapter_once() {
        let shop = TestShop::open().await.with_feed_adapter();
        let first = shop.post("/api/feeds/orders?name=may.json&dry-run=true", "f1", json!([1, 2])).await;
        assert_eq!(first.status, 200, "{}", first.text());
        assert_eq!(
            first.json(),
            json!({"name": "may.json", "bytes": "5", "dryRun": true, "calls": "1", "who": "api"})
        );
        let again = shop.post("/api/feeds/orders?name=may.json&dry-run=true", "f1", json!([1, 2])).await;
        assert_eq!((again.json(), again.header("answered-before")), (first.json(), Some("true")));
        let other = shop.post("/api/feeds/orders?name=may.json&dry-run=true", "f1", json!([3])).await;
        other.expect_problem("key-reused", 422);
        let maker = shop.as_role(Role::Maker);
        let second = maker.post("/api/feeds/orders", "f2", json!([1])).await.json();
        assert_eq!(
            second,
            json!({"name": "orders", "bytes": "3", "dryRun": false, "calls": "2", "who": "maker"})
        );
    }

    #[tokio::test]
    async fn what_the_adapter_refuses_is_a_problem() {
        let shop = TestShop::open().await.with_feed_adapter();
        let check = |name: &'static str, kind: &'static str, status: u16| {
            let shop = &shop;
            async move {
                let reply = shop.post(&format!("/api/feeds/orders?name={name}"), name, json!([])).await;
                reply.expect_problem(kind, status);
                assert!(!reply.text().contains("secret"), "{}", reply.text());
            }
        };
        check("unreadable", "invalid", 422).await;
        check("refused", "order-differs", 409).await;
        check("broken", "trouble", 500).await;
        for query in ["name=", "dry-run=1", "dryrun"] {
            let reply = shop.post(&format!("/api/feeds/orders?{query}"), "k", json!([])).await;
            reply.expect_problem("invalid", 422);
        }
    }

    #[tokio::test]
    async fn without_an_adapter_there_is_no_such_route() {
        let shop = TestShop::open().await;
        shop.post("/api/feeds/orders", "f1", json!([])).await.expect_problem("not-found", 404);
    }
}
