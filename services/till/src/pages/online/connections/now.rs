//! POST /online/connections/{name}/now: does at once whatever can be done; POST …/try: asks the online shop and
//! sends nothing.

use super::one::{Outcome, done, redisplay};
use super::{ConnectionParam, adapter};
use crate::app::App;
use crate::feed_adapter::FeedTrouble;
use crate::pages::form::Form;
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;
use std::future::Future;
use std::time::Duration;
use tokio::task::JoinError;

/// How long a page waits for an online shop; what takes longer continues in the background. Far below the limit
/// for a request.
const PATIENCE: Duration = Duration::from_secs(15);

/// Waits for work that goes on even if nobody waits any more; none if it takes longer.
pub(super) async fn patiently<T: Send + 'static>(
    work: impl Future<Output = Result<T, FeedTrouble>> + Send + 'static,
) -> Result<Option<T>, Problem> {
    let broken = |error: JoinError| Problem::from(FeedTrouble::Other(Box::new(error)));
    match tokio::time::timeout(PATIENCE, tokio::spawn(work)).await {
        Err(_) => Ok(None),
        Ok(done) => Ok(Some(done.map_err(broken)??)),
    }
}

/// POST /online/connections/{name}/now
pub(crate) async fn now(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let adapter = adapter(&app)?.clone();
    let synced = patiently(adapter.sync_now(of.name.clone())).await;
    if matches!(synced, Ok(Some(()))) {
        return Ok(done(&of, "now"));
    }
    redisplay(&app, &form.caller, &of, Outcome::of(synced, |()| Outcome::default())?).await
}

/// POST /online/connections/{name}/try
pub(crate) async fn try_it(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let adapter = adapter(&app)?.clone();
    let tried = patiently(adapter.try_connection(of.name.clone())).await;
    let shown = |tried| Outcome { tried: Some(tried), ..Outcome::default() };
    redisplay(&app, &form.caller, &of, Outcome::of(tried, shown)?).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn it_is_done_now_or_only_tried() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        let done = send(&shop, "/online/connections/village/now", &[]).await;
        assert_eq!(done.header("location"), Some("/online/connections/village?did=now"), "{}", done.text());
        let tried = send(&shop, "/online/connections/village/try", &[]).await;
        for part in ["The connection works", "GET /bought: 200", "PUT /intake/COWL"] {
            assert!(tried.text().contains(part), "{part} in {}", tried.text());
        }
        shop.connect("unreadable").await;
        let wrong = send(&shop, "/online/connections/unreadable/try", &[]).await;
        assert!(wrong.status == 422 && wrong.text().contains("no secret"), "{}", wrong.text());
    }
}
