//! POST /online/connections/{name}/end

use super::PATH;
use crate::app::App;
use crate::pages::form::Form;
use crate::pages::frame::see_other;
use crate::problem::Problem;
use axum::extract::{Path, State};
use axum::response::Response;
use ledger::online::EndConnection;

/// POST /online/connections/{name}/end
pub(crate) async fn end(
    State(app): State<App>,
    Path(name): Path<String>,
    form: Form,
) -> Result<Response, Problem> {
    app.run(&form.key, &EndConnection { name, who: form.caller.who.clone() }).await?;
    Ok(see_other(PATH))
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;
    use domain::people::Role;

    #[tokio::test]
    async fn the_owner_ends_a_connection() {
        let shop = TestShop::open().await.with_connection_adapter();
        shop.connect("village").await;
        let to = "/online/connections/village/end";
        assert_eq!(send(&shop.as_role(Role::Maker), to, &[]).await.status, 403);
        let done = send(&shop, to, &[]).await;
        assert_eq!(
            (done.status, done.header("location")),
            (303, Some("/online/connections")),
            "{}",
            done.text()
        );
        assert_eq!(shop.get("/online/connections/village").await.status, 404);
        assert_eq!(send(&shop, to, &[("_key", "other")]).await.status, 404);
    }
}
