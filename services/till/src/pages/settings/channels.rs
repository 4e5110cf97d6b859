//! POST /settings/channels: what the channels are called and which fee each of them charges on a sale.

use super::{change, kept, refused, room};
use crate::app::App;
use crate::pages::form::{Faults, Form};
use crate::problem::Problem;
use axum::extract::State;
use axum::response::Response;
use ledger::Shop;

#[derive(Debug, Default)]
pub(crate) struct Row {
    pub(super) code: String,
    pub(super) name: String,
    pub(super) fee: String,
    /// Its keys in the settings, by which the ledger's faults are matched to fields.
    pub(super) name_key: String,
    pub(super) fee_key: String,
}

impl Row {
    fn new(code: String, name: String, fee: String) -> Self {
        Self { name_key: format!("channel.{code}"), fee_key: format!("fee.{code}"), code, name, fee }
    }
}

#[derive(Debug)]
pub(crate) struct Channels {
    pub(super) rows: Vec<Row>,
    /// The row for a channel to be added.
    pub(super) new: Row,
    pub(super) faults: Faults,
}

impl Channels {
    pub(super) fn of(shop: &Shop) -> Self {
        let row = |(code, name): (&domain::channel::Channel, &String)| {
            let fee = shop.fees.get(code).map(ToString::to_string).unwrap_or_default();
            Row::new(code.to_string(), name.clone(), fee)
        };
        Self { rows: shop.channels.iter().map(row).collect(), new: Row::default(), faults: Faults::default() }
    }

    fn typed(form: &Form, shop: &Shop) -> Self {
        let text = |name: &str| form.text(name).to_owned();
        let row = |code: &domain::channel::Channel| {
            Row::new(code.to_string(), text(&format!("channel.{code}")), text(&format!("fee.{code}")))
        };
        Self {
            rows: shop.channels.keys().map(row).collect(),
            new: Row::new(text("new.code"), text("new.name"), text("new.fee")),
            faults: Faults::default(),
        }
    }

    /// The form as settings, each a key and its value.
    fn wanted(&self) -> Vec<(String, String)> {
        let new = (!self.new.code.is_empty() || !self.new.name.is_empty()).then_some(&self.new);
        let mut wanted = Vec::with_capacity(2 * self.rows.len() + 2);
        for row in self.rows.iter().chain(new) {
            wanted.push((row.name_key.clone(), row.name.clone()));
            wanted.push((row.fee_key.clone(), row.fee.clone()));
        }
        wanted
    }
}

/// POST /settings/channels
pub(crate) async fn keep(State(app): State<App>, form: Form) -> Result<Response, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let typed = Channels::typed(&form, &shop);
    let Some(faults) = change(&app, &form, typed.wanted()).await? else { return Ok(kept("channels")) };
    let page = room::read(&app, &form.caller, String::new()).await?;
    Ok(refused(room::Page { channels: Channels { faults, ..typed }, ..page }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use axum::body::Body;
    use axum::http::Method;
    use domain::channel::Channel;

    const NAMES: &str = "channel.market=Stall&channel.online=Online+shop&channel.store=Farm+store&channel.wholesale=Wholesale";

    #[tokio::test]
    async fn names_and_fees_are_kept_or_refused() {
        let shop = TestShop::open().await;
        let send = async |rest: &str| {
            let headers = [("content-type", "application/x-www-form-urlencoded")];
            let body = format!("{NAMES}&{rest}");
            shop.ask(Method::POST, "/settings/channels", &headers, Body::from(body)).await
        };
        let done =
            send("fee.online=3.1%25+%2B+0.25&new.code=spring-fair&new.name=Spring+fair&new.fee=3%25").await;
        assert_eq!(done.status, 303, "{}", done.text());
        let now = shop.ledger().shop();
        let told = |code: &str| {
            let code = Channel::parse(code).expect("a code");
            (now.channels.get(&code).cloned(), now.fees.get(&code).map(ToString::to_string))
        };
        assert_eq!(told("online").1.as_deref(), Some("3.1% + 0.25"));
        assert_eq!(told("market").0.as_deref(), Some("Stall"));
        assert_eq!(told("spring-fair"), (Some("Spring fair".to_owned()), Some("3%".to_owned())));
        for (rest, words) in [
            ("channel.spring-fair=Fair&fee.online=lots", "such as 3.1% + 0.25"),
            ("channel.spring-fair=&fee.online=", "may not be empty"),
            ("channel.spring-fair=Fair&new.code=Fair!&new.name=Fair", "is not a channel code"),
        ] {
            let refused = send(rest).await;
            assert_eq!(refused.status, 422, "{rest}");
            assert!(refused.text().contains(words), "{rest}: {}", refused.text());
        }
        // An empty fee removes it.
        assert_eq!(send("channel.spring-fair=Fair&fee.spring-fair=3%25").await.status, 303);
        assert!(shop.ledger().shop().fees.len() == 1, "{:?}", shop.ledger().shop().fees);
    }
}
