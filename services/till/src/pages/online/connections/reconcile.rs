//! POST /online/connections/{name}/reconcile: compares with the online shop's own list; POST …/compare: with a
//! list that somebody uploads.

use super::super::upload::Upload;
use super::now::patiently;
use super::one::{Outcome, redisplay};
use super::{ConnectionParam, adapter};
use crate::app::App;
use crate::connection_adapter::Reconciled;
use crate::pages::form::Form;
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;

fn shown(reconciled: Reconciled) -> Outcome {
    Outcome { reconciled: Some(reconciled), ..Outcome::default() }
}

/// POST /online/connections/{name}/reconcile
pub(crate) async fn fetch(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let adapter = adapter(&app)?.clone();
    let done = patiently(adapter.reconcile(of.name.clone())).await;
    redisplay(&app, &form.caller, &of, Outcome::of(done, shown)?).await
}

/// POST /online/connections/{name}/compare
pub(crate) async fn compare(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    mut upload: Upload,
) -> Result<Response, Problem> {
    let adapter = adapter(&app)?.clone();
    let done = match upload.take_file(None) {
        None => Err(Problem::invalid("#/file", "choose the file from your online shop")),
        Some(list) => patiently(adapter.reconcile_list(of.name.clone(), list)).await,
    };
    redisplay(&app, &upload.caller, &of, Outcome::of(done, shown)?).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use super::super::super::upload::tests as upload;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn what_it_lists_is_compared_by_asking_or_by_a_file() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        let asked = send(&shop, "/online/connections/village/reconcile", &[]).await;
        assert!(
            asked.text().contains("7 listings compared. 2 fixed, 1 for you to decide"),
            "{}",
            asked.text()
        );
        let to = "/online/connections/village/compare";
        let none = upload::send(&shop, to, &[], None).await;
        assert!(none.status == 422 && none.text().contains("Choose the file"), "{}", none.text());
        let list = upload::send(&shop, to, &[], Some(("there.csv", b"sku\nCOWL\n"))).await;
        assert!(list.status == 200 && list.text().contains("line 3"), "{}", list.text());
        let odd = upload::send(&shop, to, &[], Some(("unreadable", b"x"))).await;
        assert!(odd.status == 422 && odd.text().contains(" 3 has no sku"), "{}", odd.text());
    }
}
