//! POST /online/connections/{name}/differences/{difference}: sends our value to the online shop, or ignores the
//! difference.

use super::ConnectionParam;
use super::one::after;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use crate::request::query::no_such;
use axum::extract::{Path, State};
use axum::response::Response;
use domain::ids::DifferenceId;
use ledger::online::{DifferenceChoice, SettleDifference};

/// POST /online/connections/{name}/differences/{difference}
pub(crate) async fn settle(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    Path((_, difference)): Path<(String, String)>,
    form: Form,
) -> Result<Response, Problem> {
    let id: DifferenceId = difference.parse().map_err(|_| no_such("difference", &difference))?;
    let (choice, did) = match form.text("do") {
        "tell" => (DifferenceChoice::TellOurs, "told"),
        _ => (DifferenceChoice::Leave, "left"),
    };
    let done = app.run(&form.key, &SettleDifference { id, choice, who: form.caller.who.clone() }).await;
    after(&app, &form.caller, &of, done.map(|_| did.to_owned())).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_difference_is_told_or_left() {
        let shop = TestShop::open().await.with_connection_adapter();
        let village = shop.connect("village").await;
        shop.put_on("village", &["HAT"]).await;
        for (choice, did) in [("leave", "left"), ("tell", "told")] {
            shop.difference("village", "HAT", choice, "42.00", "45.00").await;
            let open = shop.ledger().listing_differences(village, 9).await.expect("differences");
            assert_eq!(open.len(), 1, "{choice}: {open:?}");
            let to = format!("/online/connections/village/differences/{}", open[0].id);
            let done = send(&shop, &to, &[("do", choice)]).await;
            let place = format!("/online/connections/village?did={did}");
            assert_eq!(done.header("location"), Some(place.as_str()), "{}", done.text());
            assert!(
                shop.ledger().listing_differences(village, 9).await.expect("differences").is_empty(),
                "{choice}"
            );
        }
        let gone = send(&shop, "/online/connections/village/differences/77", &[("do", "tell")]).await;
        assert_eq!(gone.status, 422, "{}", gone.text());
        assert_eq!(send(&shop, "/online/connections/village/differences/x", &[]).await.status, 404);
    }
}
