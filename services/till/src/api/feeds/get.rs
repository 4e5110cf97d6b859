//! GET /api/feeds

use crate::app::App;
use crate::feed_adapter::FEED;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::{self, QueryParam};
use axum::Json;
use axum::extract::State;
use ledger::online::{FeedRun, RunKind};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// How many runs.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct RunsQuery {
    /// How many of the latest runs, 1 to 200; 50 if left out.
    limit: Option<String>,
}

/// The latest runs of the feed, newest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct RunsShown {
    runs: Vec<RunShown>,
}

/// A feed of listings that was written.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct RunShown {
    id: String,
    at: String,
    /// `all` or `changes`.
    kind: &'static str,
    listings: String,
    file_name: String,
    /// SHA-256.
    file_hash: String,
}

impl From<FeedRun> for RunShown {
    fn from(run: FeedRun) -> Self {
        Self {
            id: run.id.to_string(),
            at: run.at.to_string(),
            kind: match run.kind {
                RunKind::All => "all",
                RunKind::Changes => "changes",
            },
            listings: run.listings.to_string(),
            file_name: run.file_name,
            file_hash: run.file_hash,
        }
    }
}

/// The feeds of listings that were written.
#[utoipa::path(get, path = "/api/feeds", tag = "online", params(RunsQuery),
    responses((status = 200, description = "The latest runs.", body = RunsShown), ReadProblems))]
pub(crate) async fn list_runs(
    State(app): State<App>,
    QueryParam(asked): QueryParam<RunsQuery>,
) -> Result<Json<RunsShown>, Problem> {
    let rows = query::rows(asked.limit.as_deref())?;
    let feed = app.ledger.connection(FEED).await?;
    let runs = app.ledger.feed_runs(feed, rows).await?;
    Ok(Json(RunsShown { runs: runs.into_iter().map(RunShown::from).collect() }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use ledger::online::{NewRun, RecordRun, RunKind};
    use serde_json::json;

    #[tokio::test]
    async fn runs_stand_with_the_last_one_first() {
        let shop = TestShop::open().await;
        let ledger = shop.ledger();
        let connection = ledger.connection(crate::feed_adapter::FEED).await.expect("the feed");
        for (kind, listings, name) in [(RunKind::All, 4, "all.csv"), (RunKind::Changes, 1, "changes.csv")] {
            let run = Some(NewRun {
                id: ledger.new_run().expect("a number"),
                kind,
                listings,
                file_name: name.to_owned(),
                file_hash: "0a".to_owned(),
                items: Vec::new(),
            });
            ledger.execute(None, &RecordRun { connection, told: Vec::new(), run }).await.expect("recorded");
        }
        let reply = shop.get("/api/feeds").await.json();
        let runs = reply["runs"].as_array().expect("runs");
        let shown: Vec<_> = runs.iter().map(|r| json!([r["kind"], r["listings"], r["fileName"]])).collect();
        assert_eq!(shown, [json!(["changes", "1", "changes.csv"]), json!(["all", "4", "all.csv"])]);
        let one = shop.get("/api/feeds?limit=1").await.json();
        assert_eq!(one["runs"].as_array().map(Vec::len), Some(1));
        shop.get("/api/feeds?limit=0").await.expect_problem("invalid", 422);
    }
}
