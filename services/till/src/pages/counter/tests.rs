//! The counter's pages, with forms only, as a browser without scripts sends them.

mod approval;
mod exchange;
mod later;
mod paying;
mod place;
mod receipt;
mod slip;
mod undo;

use crate::testing::{Reply, TestShop};
use axum::body::Body;
use axum::http::Method;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use ledger::sales::{NewSale, SaleLineIn, TenderIn};

/// A page with its forms.
struct OpenPage<'a> {
    shop: &'a TestShop,
    path: String,
    page: String,
}

impl OpenPage<'_> {
    /// The value of the first field with a name, after the text `after`.
    fn field(&self, after: &str, name: &str) -> String {
        let start = self.page.find(after).unwrap_or_else(|| panic!("no {after} in {}", self.page));
        let rest = &self.page[start..];
        let at = rest.find(&format!("name=\"{name}\"")).unwrap_or_else(|| panic!("no {name} behind {after}"));
        rest[at..].split("value=\"").nth(1).and_then(|v| v.split('"').next()).unwrap_or_default().to_owned()
    }

    fn has(&self, text: &str) -> bool {
        self.page.contains(text)
    }

    /// Asserts that the texts are on the page, in this order.
    fn shows(&self, texts: &[&str]) {
        let mut rest = self.page.as_str();
        for text in texts {
            let at = rest.find(text).unwrap_or_else(|| panic!("no {text} (in its place) in {}", self.page));
            rest = &rest[at + text.len()..];
        }
    }
}

async fn post(shop: &TestShop, path: &str, fields: &[(&str, &str)]) -> Reply {
    let body: String = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
    let kind = [("content-type", "application/x-www-form-urlencoded")];
    shop.ask(Method::POST, path, &kind, Body::from(body)).await
}

async fn open<'a>(shop: &'a TestShop, path: &str) -> OpenPage<'a> {
    let reply = shop.get(path).await;
    assert_eq!(reply.status, 200, "{path}: {}", reply.text());
    OpenPage { shop, path: path.to_owned(), page: reply.text().to_owned() }
}

impl<'a> OpenPage<'a> {
    /// Sends a form of this page and follows the redirect.
    async fn send(&self, action: &str, fields: &[(&str, &str)]) -> OpenPage<'a> {
        let form = format!("action=\"{action}\"");
        let token = self.field(&form, "_seal");
        let key = self.field(&form, "_key");
        let fields = [&[("_seal", token.as_str()), ("_key", key.as_str())], fields].concat();
        let reply = post(self.shop, action, &fields).await;
        assert_eq!(reply.status, 303, "{action}: {}", reply.text());
        open(self.shop, reply.header("location").expect("where it goes")).await
    }

    /// Sends a form that must be refused; returns the page that says so.
    async fn refused(&self, action: &str, fields: &[(&str, &str)]) -> OpenPage<'a> {
        let form = format!("action=\"{action}\"");
        let token = self.field(&form, "_seal");
        let fields = [&[("_seal", token.as_str())], fields].concat();
        let reply = post(self.shop, action, &fields).await;
        assert_eq!(reply.status, 422, "{action}: {}", reply.text());
        OpenPage { shop: self.shop, path: action.to_owned(), page: reply.text().to_owned() }
    }

    /// Scans goods by weight; returns the page that asks for the weight.
    async fn asked(&self, action: &str, code: &str) -> OpenPage<'a> {
        let token = self.field(&format!("action=\"{action}\""), "_seal");
        let reply = post(self.shop, action, &[("_seal", &token), ("code", code)]).await;
        assert_eq!(reply.status, 200, "asking is no fault: {}", reply.text());
        OpenPage { shop: self.shop, path: action.to_owned(), page: reply.text().to_owned() }
    }
}

/// A new slip with these items.
async fn slip<'a>(shop: &'a TestShop, codes: &[&str]) -> OpenPage<'a> {
    let mut page = open(shop, "/counter").await;
    for code in codes {
        let action = format!("{}/scan", page.path);
        page = page.send(&action, &[("code", code)]).await;
    }
    page
}

fn money(minor: i64) -> Money {
    Money::from_minor(minor, Currency::USD).expect("an amount")
}

/// Sells one online without the counter knowing.
async fn sell_online(shop: &TestShop, sku: &str, price: i64) {
    let code = domain::codes::Code::parse(sku).expect("a code");
    let (none, quantity) = (money(0), Asked::ONE);
    let sale = NewSale {
        channel: Channel::online(),
        lines: vec![SaleLineIn::Goods { code, quantity, discount: none, tax: none }],
        discount: none,
        shipping: none,
        tenders: vec![TenderIn::plain(TenderKind::Online, money(price))],
        customer: None,
        is_granted: false,
        hold: None,
        at: None,
        note: String::new(),
        who: String::new(),
    };
    shop.ledger().execute(None, &sale).await.expect("a sale");
}
