//! POST /online/connections/{name}/deferred/{order}: an order that was not imported is tried again, or ignored.

use super::ConnectionParam;
use super::one::after;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::query::no_such;
use axum::extract::{Path, State};
use axum::response::Response;
use domain::ids::DeferredOrderId;
use ledger::online::{DropDeferredOrder, RetryDeferredOrder};

/// POST /online/connections/{name}/deferred/{order}
pub(crate) async fn settle(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    Path((_, order)): Path<(String, String)>,
    form: Form,
) -> Result<Response, Problem> {
    let id: DeferredOrderId = order.parse().map_err(|_| no_such("waiting order", &order))?;
    let did = ignore_or_retry(&app, &form, id).await;
    after(&app, &form.caller, &of, did.map(str::to_owned)).await
}

async fn ignore_or_retry(app: &App, form: &Form, id: DeferredOrderId) -> Result<&'static str, Problem> {
    if form.text("do") == "leave" {
        app.run(&form.key, &DropDeferredOrder { id, who: form.caller.who.clone() }).await?;
        return Ok("left");
    }
    app.run(&form.key, &RetryDeferredOrder { id }).await?;
    Ok("order")
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_deferred_order_is_tried_again_or_left() {
        let shop = TestShop::open().await.with_connection_adapter();
        let village = shop.connect("village").await;
        shop.defer_order("village", "V-7", "there is no GHOST").await;
        let kept = async || shop.ledger().deferred_orders(village, 9).await.expect("kept orders");
        let order = kept().await.remove(0);
        assert!(order.due > shop.ledger().now());
        let to = format!("/online/connections/village/deferred/{}", order.id);
        let tried = send(&shop, &to, &[("do", "try")]).await;
        assert_eq!(
            tried.header("location"),
            Some("/online/connections/village?did=order"),
            "{}",
            tried.text()
        );
        assert_eq!(kept().await[0].due, shop.ledger().now(), "it is due at once");
        let left = send(&shop, &to, &[("do", "leave")]).await;
        assert_eq!(left.header("location"), Some("/online/connections/village?did=left"), "{}", left.text());
        assert!(kept().await.is_empty());
        let noted = shop.ledger().activity(None, 1).await.expect("the list").remove(0);
        assert_eq!((noted.what.as_str(), noted.detail.as_str()), ("V-7", "there is no GHOST"));
        for choice in ["try", "leave"] {
            assert_eq!(send(&shop, &to, &[("do", choice), ("_key", choice)]).await.status, 422, "{choice}");
        }
        assert_eq!(send(&shop, "/online/connections/village/deferred/x", &[]).await.status, 404);
    }
}
