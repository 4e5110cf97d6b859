//! POST /online/connections/{name}/resend: parked messages are to be sent again.

use super::ConnectionParam;
use super::one::after;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::values;
use axum::extract::State;
use axum::response::Response;
use ledger::online::SendAgain;

/// POST /online/connections/{name}/resend
pub(crate) async fn resend(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let sku = Some(form.text("sku")).filter(|sku| !sku.is_empty());
    let code = sku.map(|sku| values::code(sku, "#/sku")).transpose()?;
    let command = SendAgain { connection: of.id, code, who: form.caller.who.clone() };
    let done = app.run(&form.key, &command).await;
    after(&app, &form.caller, &of, done.map(|done| format!("again&count={}", done.answer))).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn one_or_all_are_sent_again() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        shop.put_on("village", &["COWL", "HAT", "SPINDLE"]).await;
        for sku in ["COWL", "HAT", "SPINDLE"] {
            shop.park("village", sku, "422: odd").await;
        }
        let check = async |fields: &[(&str, &str)], count: &str, left: i64| {
            let reply = send(&shop, "/online/connections/village/resend", fields).await;
            let place = format!("/online/connections/village?did=again&count={count}");
            assert_eq!(
                (reply.status, reply.header("location")),
                (303, Some(place.as_str())),
                "{}",
                reply.text()
            );
            let status = shop.ledger().connection_statuses().await.expect("statuses").remove(0);
            assert_eq!((status.parked, status.waiting), (left, 3), "{fields:?}");
        };
        check(&[("sku", "HAT")], "1", 2).await;
        check(&[], "2", 0).await;
        check(&[], "0", 0).await;
        let unknown = send(&shop, "/online/connections/village/resend", &[("sku", "GHOST")]).await;
        assert_eq!(unknown.status, 422, "{}", unknown.text());
        assert_eq!(send(&shop, "/online/connections/nowhere/resend", &[]).await.status, 404);
    }
}
