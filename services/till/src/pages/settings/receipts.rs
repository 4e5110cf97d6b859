//! POST /settings/receipts: what stands on every receipt.

use super::{change, kept, refused, room};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;
use ledger::Shop;

/// The settings of the form, by their fields' names.
const KEYS: [&str; 3] = ["address", "receipt_note", "return_policy"];

#[derive(Debug, Default)]
pub(crate) struct Receipts {
    pub(super) address: String,
    pub(super) note: String,
    pub(super) return_policy: String,
    pub(super) faults: Faults,
}

impl Receipts {
    pub(super) fn of(shop: &Shop) -> Self {
        Self {
            address: shop.receipt.address.clone(),
            note: shop.receipt.note.clone(),
            return_policy: shop.receipt.return_policy.clone(),
            faults: Faults::default(),
        }
    }

    fn typed(form: &Form, faults: Faults) -> Self {
        let [address, note, return_policy] = KEYS.map(|key| form.text(key).to_owned());
        Self { address, note, return_policy, faults }
    }
}

/// POST /settings/receipts
pub(crate) async fn keep(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    // Browsers end lines with two characters; the setting has one.
    let wanted = KEYS.map(|key| (key.to_owned(), form.text(key).replace("\r\n", "\n"))).to_vec();
    let Some(faults) = change(&app, &form, wanted).await? else { return Ok(kept("receipts")) };
    let page = room::read(&app, &form.caller, String::new()).await?;
    Ok(refused(room::Page { receipts: Receipts::typed(&form, faults), ..page }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;

    const FORM: &[(&str, &str)] = &[("content-type", "application/x-www-form-urlencoded")];

    #[tokio::test]
    async fn the_words_of_receipts_are_kept_or_refused_beside_the_field() {
        let shop = TestShop::open().await;
        let send = async |body: &str| {
            shop.ask(Method::POST, "/settings/receipts", FORM, Body::from(body.to_owned())).await
        };
        let done =
            send("address=1+Fold+Lane%0D%0AHillside&receipt_note=Thank+you&return_policy=30+days").await;
        assert_eq!(done.header("location"), Some("/settings?kept=receipts#receipts"), "{}", done.text());
        let now = shop.ledger().shop();
        assert_eq!(
            (now.receipt.address.as_str(), now.receipt.note.as_str()),
            ("1 Fold Lane\nHillside", "Thank you")
        );
        let long = "x".repeat(501);
        let refused = send(&format!("address=2+Fold+Lane&receipt_note={long}&return_policy=")).await;
        assert_eq!(refused.status, 422);
        for part in ["id=\"fault-receipt_note\"", "2 Fold Lane", "500 characters"] {
            assert!(refused.text().contains(part), "{part} in {}", refused.text());
        }
        assert_eq!(
            shop.ledger().shop().receipt.return_policy,
            "30 days",
            "nothing of a refused form is kept"
        );
    }
}
