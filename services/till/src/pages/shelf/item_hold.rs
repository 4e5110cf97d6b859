//! POST /shelf/items/{code}/hold: puts an item on hold.

use super::item;
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::problem::Problem;
use crate::request::query::PathParam;
use axum::extract::State;
use axum::response::Response;
use domain::codes::Code;
use domain::day::{Moment, Zone};
use domain::quantity::Asked;
use ledger::shelf::{HoldLine, NewHold, Purpose};

/// The end of the chosen day; no end if none was chosen.
fn until(text: &str, zone: &Zone) -> Result<Option<Moment>, Faults> {
    if text.is_empty() {
        return Ok(None);
    }
    let noon = zone.read(text).map_err(|error| Faults::one("until", error.to_string()))?;
    Ok(Some(zone.end_of_day(noon)))
}

fn read(form: &Form, code: &Code, zone: &Zone) -> Result<NewHold, Faults> {
    let quantity = match form.text("hold_quantity") {
        "" => Asked::ONE,
        text => Asked::parse(text, None).map_err(|e| Faults::one("hold_quantity", e.to_string()))?,
    };
    let purpose = if form.has("market") { Purpose::Market } else { Purpose::Customer };
    Ok(NewHold {
        lines: vec![HoldLine { code: code.clone(), quantity }],
        purpose,
        for_whom: form.text("for_whom").to_owned(),
        customer: None,
        until: until(form.text("until"), zone)?,
    })
}

/// POST /shelf/items/{code}/hold
pub(crate) async fn hold(
    State(app): State<App>,
    PathParam(code): PathParam<Code>,
    form: Form,
) -> Result<Response, Problem> {
    let command = read(&form, &code, &app.ledger.shop().zone);
    item::done(&app, &code, form, command).await
}

#[cfg(test)]
mod tests {
    use super::super::item::tests::send;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_piece_is_set_aside_for_somebody_until_the_end_of_a_day() {
        let shop = TestShop::open().await;
        let fields = [("for_whom", "Ada Moss"), ("until", "2026-05-20"), ("_key", "k1")];
        let reply = send(&shop, "/shelf/items/COWL/hold", &fields).await;
        assert_eq!(
            (reply.status, reply.header("location")),
            (303, Some("/shelf/items/COWL")),
            "{}",
            reply.text()
        );
        let again = send(&shop, "/shelf/items/COWL/hold", &fields).await;
        assert_eq!(again.status, 303, "sent twice, held once");
        let holds = shop.get("/api/holds").await.json();
        assert_eq!(holds["holds"].as_array().map(Vec::len), Some(1), "{holds}");
        assert_eq!(holds["holds"][0]["until"], "2026-05-21T00:00:00Z");
        let page = shop.get("/shelf/items/COWL").await;
        assert!(
            page.text().contains("<b>Ada Moss</b>") && page.text().contains("through May 20, 2026"),
            "{}",
            page.text()
        );
    }

    #[tokio::test]
    async fn what_cannot_be_set_aside_is_said_and_what_was_typed_is_kept() {
        let shop = TestShop::open().await;
        let check =
            |code: &'static str, fields: &'static [(&'static str, &'static str)], words: &'static str| {
                let shop = &shop;
                async move {
                    let reply = send(shop, &format!("/shelf/items/{code}/hold"), fields).await;
                    assert_eq!(reply.status, 422, "{words}: {}", reply.text());
                    assert!(reply.text().contains(words), "{words} in {}", reply.text());
                    for (name, value) in fields.iter().filter(|(_, value)| *value != "yes") {
                        assert!(reply.text().contains(&format!("value=\"{value}\"")), "{name} is kept");
                    }
                }
            };
        check("SPINDLE", &[("for_whom", "Ash"), ("hold_quantity", "99")], "99 requested, 10 available").await;
        check("SPINDLE", &[("hold_quantity", "half")], "is not a quantity").await;
        check("COWL", &[("until", "2026-05-01")], "later than now").await;
        check("COWL", &[("for_whom", "4000000000000002")], "card numbers are never").await;
        shop.sell("COWL", "k").await;
        let late = send(&shop, "/shelf/items/COWL/hold", &[]).await;
        assert!(late.status == 422 && late.text().contains("was already sold"), "{}", late.text());
    }
}
