//! POST /online/connections/{name}/put: lists pieces that the online shop does not have yet.

use super::ConnectionParam;
use super::one::after;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::values;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;

/// POST /online/connections/{name}/put. Sent twice it does nothing more: what is listed stays listed.
pub(crate) async fn put(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let chosen = form.all("sku").into_iter().map(|sku| values::code(sku, "#/sku"));
    let chosen = chosen.collect::<Result<Vec<Code>, Problem>>()?;
    let codes = if form.text("do") == "all" { None } else { Some(chosen.as_slice()) };
    let done = match codes {
        Some([]) => Err(Problem::invalid("#/sku", "choose at least one piece")),
        codes => app.ledger.put_on_connection(of.id, codes, &form.caller.who).await.map_err(Problem::from),
    };
    after(&app, &form.caller, &of, done.map(|count| format!("put&count={count}"))).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn pieces_are_put_on_once() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        let check = async |fields: &[(&str, &str)], expected: Result<&str, &str>| {
            let reply = send(&shop, "/online/connections/village/put", fields).await;
            match expected {
                Ok(count) => {
                    let place = format!("/online/connections/village?did=put&count={count}");
                    assert_eq!(
                        reply.header("location"),
                        Some(place.as_str()),
                        "{fields:?}: {}",
                        reply.text()
                    );
                }
                Err(words) => {
                    assert!(reply.status == 422 && reply.text().contains(words), "{}", reply.text());
                }
            }
        };
        check(&[("do", "these")], Err("Choose at least one piece")).await;
        check(&[("do", "these"), ("sku", "GHOST")], Err("GHOST")).await;
        check(&[("do", "these"), ("sku", "COWL"), ("sku", "HAT")], Ok("2")).await;
        check(&[("do", "these"), ("sku", "COWL")], Ok("0")).await;
        check(&[("do", "all")], Ok("2")).await;
        let status = shop.ledger().connection_statuses().await.expect("statuses").remove(0);
        assert_eq!(status.waiting, 4);
    }
}
