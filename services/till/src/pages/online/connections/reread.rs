//! POST /online/connections/{name}/reread: reads orders again from a day on.

use super::ConnectionParam;
use super::one::after;
use crate::app::App;
use crate::pages::form::Form;
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;
use domain::day::Day;
use ledger::online::RereadOrders;

/// POST /online/connections/{name}/reread
pub(crate) async fn reread(
    State(app): State<App>,
    ConnectionParam(of): ConnectionParam,
    form: Form,
) -> Result<Response, Problem> {
    let day = Day::parse(form.text("since"));
    let done = match day {
        Ok(day) => {
            let since = app.ledger.shop().zone.start_of(day);
            let command = RereadOrders { connection: of.id, since, who: form.caller.who.clone() };
            app.run(&form.key, &command).await
        }
        Err(_) => Err(Problem::invalid("#/since", "choose the date to import orders from")),
    };
    after(&app, &form.caller, &of, done.map(|_| "reread".to_owned())).await
}

#[cfg(test)]
mod tests {
    use super::super::super::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn orders_are_read_again_from_a_day_on() {
        let shop = TestShop::open().await.with_connection_adapter();
        let connection = shop.connect("village").await;
        let path = "/online/connections/village/reread";
        let reply = send(&shop, path, &[("since", "2026-01-02")]).await;
        let place = "/online/connections/village?did=reread";
        assert_eq!((reply.status, reply.header("location")), (303, Some(place)), "{}", reply.text());
        let claim = |holder| ledger::online::ClaimPull {
            connection,
            what: ledger::online::PullOf::Orders,
            holder,
            early: false,
        };
        let holder = shop.ledger().new_holder().expect("a number");
        let state = shop.ledger().execute(None, &claim(holder)).await.expect("a claim").answer;
        let since = state.expect("it is due").reread.map(|since| since.to_string());
        assert!(since.is_some_and(|since| since.starts_with("2026-01-0")), "the day's beginning");
        for odd in ["", "soon", "2999-01-01"] {
            let reply = send(&shop, path, &[("since", odd)]).await;
            assert_eq!(reply.status, 422, "{odd}: {}", reply.text());
        }
        assert_eq!(send(&shop, "/online/connections/nowhere/reread", &[]).await.status, 404);
    }
}
