//! POST /settings/counter: which tenders the counter accepts, and how cash is rounded.

use super::{change, kept, refused, room};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::pages::shown::tender_name;
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;
use domain::basket::{TenderKind, Tie};
use domain::money::{Currency, Money};
use ledger::{COUNTER_TENDERS, Shop};

#[derive(Debug)]
pub(crate) struct Choice {
    pub(super) code: &'static str,
    pub(super) name: &'static str,
    pub(super) is_offered: bool,
}

#[derive(Debug)]
pub(crate) struct Counter {
    pub(super) tenders: Vec<Choice>,
    /// The smallest coin; empty where cash is not rounded.
    pub(super) coin: String,
    pub(super) goes_down: bool,
    pub(super) faults: Faults,
}

fn choices(is_offered: impl Fn(&str) -> bool) -> Vec<Choice> {
    let choice = |kind: TenderKind| Choice {
        code: kind.code(),
        name: tender_name(kind),
        is_offered: is_offered(kind.code()),
    };
    COUNTER_TENDERS.map(choice).into()
}

impl Counter {
    pub(super) fn of(shop: &Shop) -> Self {
        let rule = shop.cash_rounding;
        let coin = Money::from_minor(rule.step_minor(), shop.currency).ok().filter(|coin| coin.minor() > 1);
        Self {
            tenders: choices(|code| shop.tenders.iter().any(|kind| kind.code() == code)),
            coin: coin.map(|coin| coin.to_string()).unwrap_or_default(),
            goes_down: rule.tie() == Tie::Down,
            faults: Faults::default(),
        }
    }

    fn typed(form: &Form) -> Self {
        let ticked = form.all("tender");
        Self {
            tenders: choices(|code| ticked.contains(&code)),
            coin: form.text("coin").to_owned(),
            goes_down: form.text("tie") == "down",
            faults: Faults::default(),
        }
    }

    /// The form as settings, each a key and its value.
    fn wanted(&self, currency: Currency) -> Result<Vec<(String, String)>, Faults> {
        let offered: Vec<&str> = self.tenders.iter().filter(|c| c.is_offered).map(|c| c.code).collect();
        let rounding = if self.coin.is_empty() {
            "none".to_owned()
        } else {
            let coin = Money::parse(&self.coin, currency)
                .map_err(|e| Faults::one("cash_rounding", e.to_string()))?;
            format!("{} {}", coin.minor(), if self.goes_down { "down" } else { "up" })
        };
        Ok(vec![("tenders".to_owned(), offered.join(" ")), ("cash_rounding".to_owned(), rounding)])
    }
}

/// POST /settings/counter
pub(crate) async fn keep(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let typed = Counter::typed(&form);
    let faults = match typed.wanted(app.ledger.shop().currency) {
        Ok(wanted) => change(&app, &form, wanted).await?,
        Err(faults) => Some(faults),
    };
    let Some(faults) = faults else { return Ok(kept("counter")) };
    let page = room::read(&app, &form.caller, String::new()).await?;
    Ok(refused(room::Page { counter: Counter { faults, ..typed }, ..page }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;
    use domain::basket::TenderKind;

    #[tokio::test]
    async fn tenders_and_coins_are_kept_or_refused() {
        let shop = TestShop::open().await;
        let send = async |body: &str| {
            let headers = [("content-type", "application/x-www-form-urlencoded")];
            shop.ask(Method::POST, "/settings/counter", &headers, Body::from(body.to_owned())).await
        };
        let done = send("tender=cash&tender=card&coin=0.05&tie=down").await;
        assert_eq!(done.status, 303, "{}", done.text());
        let now = shop.ledger().shop();
        assert_eq!(now.tenders, [TenderKind::Cash, TenderKind::Card]);
        assert_eq!(now.cash_rounding.step_minor(), 5);
        let page = shop.get("/settings").await;
        assert!(page.text().contains("value=\"cash\" checked") && page.text().contains("value=\"0.05\""));
        assert!(!page.text().contains("value=\"owed\" checked"), "{}", page.text());
        for (body, words) in [
            ("coin=&tie=up", "Choose at least one payment method"),
            ("tender=cash&coin=five&tie=up", "is not an amount"),
            ("tender=cash&coin=1000&tie=up", "smallest coin"),
        ] {
            let refused = send(body).await;
            assert_eq!(refused.status, 422, "{body}");
            assert!(refused.text().contains(words), "{body}: {}", refused.text());
        }
        assert_eq!(send("tender=cash&coin=&tie=up").await.status, 303);
        assert_eq!(shop.ledger().shop().cash_rounding.step_minor(), 1);
    }
}
