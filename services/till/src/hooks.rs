//! POST /hooks/{connection}: what an online shop sends by itself. Its signature proves who it is, so nothing
//! else is required; without a valid signature it is answered before anything in it is read.

use crate::app::App;
use crate::connection_adapter::{Hook, HookAnswer};
use crate::problem::{Kind, Problem};
use crate::request::body::read;
use crate::request::caller::Access;
use crate::request::route::Route;
use axum::extract::{Path, Request, State};
use axum::http::{HeaderMap, StatusCode};

pub(crate) const PATH: &str = "/hooks/{connection}";
/// The largest webhook: an order with some hundred lines has a tenth of it.
const HOOK_LIMIT: usize = 1024 * 1024;

pub(crate) fn routes() -> Vec<Route> {
    vec![Route::post(PATH, Access::Public, take_hook)]
}

/// A header that is not text is not part of a signature.
fn headers(map: &HeaderMap) -> Vec<(String, String)> {
    let pairs = map.iter().filter_map(|(name, value)| Some((name.as_str(), value.to_str().ok()?)));
    pairs.map(|(name, value)| (name.to_owned(), value.to_owned())).collect()
}

/// POST /hooks/{connection}
pub(crate) async fn take_hook(
    State(app): State<App>,
    Path(connection): Path<String>,
    request: Request,
) -> Result<StatusCode, Problem> {
    let adapter = app.connection_adapter.as_ref().ok_or_else(no_such)?;
    // Whoever guesses names need not send a body.
    if let Some(refused) = adapter.refuse_hook(&connection).await {
        return told(refused);
    }
    let headers = headers(request.headers());
    let body = read(request, HOOK_LIMIT).await?.to_vec();
    told(adapter.take_hook(Hook { connection, headers, body }).await)
}

fn no_such() -> Problem {
    Problem::new(Kind::NotFound, "no connection takes webhooks at this address")
}

fn told(answer: HookAnswer) -> Result<StatusCode, Problem> {
    match answer {
        HookAnswer::Taken => Ok(StatusCode::NO_CONTENT),
        HookAnswer::Kept => Ok(StatusCode::ACCEPTED),
        HookAnswer::NoSuch => Err(no_such()),
        HookAnswer::NotSigned => {
            Err(Problem::new(Kind::SignInNeeded, "the webhook is not signed as this connection requires"))
        }
        HookAnswer::Unreadable(words) => Err(Problem::invalid("#", words)),
        HookAnswer::Busy => {
            Err(Problem::new(Kind::Busy, "the webhook cannot be accepted right now; send it again"))
        }
    }
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;

    #[tokio::test]
    async fn a_hook_is_answered_by_what_became_of_it() {
        let shop = TestShop::open().await.with_connection_adapter().as_nobody();
        let check = |name: &'static str, body: &'static str, status: u16| {
            let shop = &shop;
            async move {
                let headers = [("webhook-id", "m1"), ("content-type", "text/odd")];
                let reply =
                    shop.ask(Method::POST, &format!("/hooks/{name}"), &headers, Body::from(body)).await;
                assert_eq!(reply.status, status, "{name} {body}: {}", reply.text());
                assert!(status < 300 || reply.text().contains("/problems/"), "{name}: {}", reply.text());
            }
        };
        check("village", "taken", 204).await;
        check("village", "kept", 202).await;
        check("village", "forged", 401).await;
        check("village", "odd", 422).await;
        check("village", "busy", 503).await;
        check("nowhere", "taken", 404).await;
        let large = Body::from(vec![b'x'; super::HOOK_LIMIT + 1]);
        assert_eq!(shop.ask(Method::POST, "/hooks/village", &[], large).await.status, 413);
        assert_eq!(shop.get("/hooks/village").await.status, 405);
    }

    #[tokio::test]
    async fn without_an_adapter_no_hook_is_taken() {
        let shop = TestShop::open().await.as_nobody();
        assert_eq!(shop.ask(Method::POST, "/hooks/village", &[], Body::from("taken")).await.status, 404);
    }
}
