//! POST /shelf/items/{code}/loss: writes off what was damaged, given away or kept by the family.

use super::item;
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use domain::quantity::Asked;
use domain::stock::StockReason;
use ledger::shelf::{AdjustStock, Counted};

fn read(form: &Form, code: &Code) -> Result<AdjustStock, Faults> {
    let why = StockReason::from_code(form.text("why")).filter(|why| why.is_loss());
    let why =
        why.ok_or_else(|| Faults::one("why", "choose a reason: damaged, given away or kept for own use"))?;
    let quantity = match form.text("loss_quantity") {
        "" => Asked::ONE,
        text => Asked::parse(text, None).map_err(|e| Faults::one("loss_quantity", e.to_string()))?,
    };
    Ok(AdjustStock {
        code: code.clone(),
        what: Counted::Less(quantity, why),
        note: form.text("loss_note").to_owned(),
        who: form.caller.who.clone(),
    })
}

/// POST /shelf/items/{code}/loss
pub(crate) async fn lose(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let command = read(&form, &code);
    item::done(&app, &code, form, command).await
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_loss_has_its_reason() {
        let shop = TestShop::open().await;
        let check = |code: &'static str, why: &'static str, quantity: &'static str, status: u16| {
            let shop = &shop;
            async move {
                let fields = [("why", why), ("loss_quantity", quantity), ("loss_note", "moths")];
                let reply = send(shop, &format!("/shelf/items/{code}/loss"), &fields).await;
                assert_eq!(reply.status, status, "{code} {why} {quantity}: {}", reply.text());
            }
        };
        check("SPINDLE", "damage", "3", 303).await;
        check("SPINDLE", "gift", "", 303).await;
        check("SPINDLE", "", "1", 422).await;
        check("SPINDLE", "sold", "1", 422).await;
        check("SPINDLE", "damage", "7", 422).await;
        check("SPINDLE", "damage", "none", 422).await;
        check("COWL", "own-use", "", 303).await;
        check("COWL", "own-use", "", 422).await;
        assert_eq!(shop.get("/api/items/SPINDLE").await.json()["onHand"], "6");
        let page = shop.get("/shelf/items/COWL").await;
        assert!(page.text().contains("Kept for own use") && page.text().contains("moths"), "{}", page.text());
        assert!(page.text().contains("<span>Gone</span>"), "{}", page.text());
    }
}
