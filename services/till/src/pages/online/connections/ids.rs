//! POST /online/connections/{name}/ids: the online shop's own id of a piece, entered by a person.

use super::ConnectionParam;
use super::one::after;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::values;
use axum::extract::State;
use axum::response::Response;
use ledger::online::EnterOtherId;

/// POST /online/connections/{name}/ids
pub(crate) async fn enter(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let code = values::code(form.text("sku"), "#/sku")?;
    let (other_id, who) = (form.text("id").to_owned(), form.caller.who.clone());
    let command = EnterOtherId { connection: of.id, code, other_id, who };
    let done = app.run(&form.key, &command).await;
    after(&app, &form.caller, &of, done.map(|_| "id".to_owned())).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn an_id_that_a_person_enters_lets_a_parked_message_go_on() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        shop.put_on("village", &["COWL", "HAT"]).await;
        shop.park("village", "COWL", "its id there is not known").await;
        let to = "/online/connections/village/ids";
        let done = send(&shop, to, &[("sku", "COWL"), ("id", " L-77 ")]).await;
        let place = "/online/connections/village?did=id";
        assert_eq!((done.status, done.header("location")), (303, Some(place)), "{}", done.text());
        let status = shop.ledger().connection_statuses().await.expect("statuses").remove(0);
        assert_eq!((status.parked, status.waiting), (0, 2));
        assert!(shop.get(place).await.text().contains("ID saved"));
        let noted = shop.ledger().activity(None, 1).await.expect("the list").remove(0);
        assert_eq!((noted.what.as_str(), noted.detail.as_str()), ("COWL", "L-77"));
        let check = async |fields: &[(&str, &str)], expected: &str| {
            let reply = send(&shop, to, fields).await;
            assert_eq!(reply.status, 422, "{fields:?}: {}", reply.text());
            assert!(reply.text().contains(expected), "{fields:?}: {}", reply.text());
        };
        check(&[("sku", "HAT"), ("id", "L-77"), ("_key", "a")], "L-77 is already the ID of COWL").await;
        check(&[("sku", "HAT"), ("id", "  "), ("_key", "b")], "as the online shop shows it").await;
        check(&[("sku", "HAT"), ("id", ".."), ("_key", "c")], "cannot be used in a web address").await;
        check(&[("sku", "GHOST"), ("id", "L-78"), ("_key", "d")], "GHOST").await;
        assert_eq!(
            send(&shop, "/online/connections/nowhere/ids", &[("sku", "HAT"), ("id", "1")]).await.status,
            404
        );
    }
}
