//! A small invented shop in a temporary folder, and requests to its router.

pub(crate) mod browser;
mod online;

use crate::app::App;
use crate::edge::routes::router;
use crate::feed_adapter::{
    AdapterFuture, Compared, FeedAdapter, FeedFuture, FeedTrouble, GivenFile, LayoutFault, ListingDifference,
    OrderFileRun, OrdersTaken, Outgoing, Previewed, PreviewedRow, PutOut, WentOut,
};
use crate::security::tokens::TokenKeys;
use axum::body::{Body, to_bytes};
use axum::extract::ConnectInfo;
use axum::http::{HeaderMap, Method, Request};
use domain::day::Moment;
use domain::item::ItemText;
use domain::money::{Currency, Money};
use domain::people::Role;
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::quantity::Asked;
use domain::stock::{Availability, ItemKind, ListingState};
use domain::weight::{Weight, WeightUnit};
use ledger::online::{Delivered, RecordRun, RunKind};
use ledger::people::AddToken;
use ledger::shelf::{AddItems, AddStyles, NewItem, NewStyle, RowOutcome};
use ledger::{Access, Actor, Ledger, ManualClock, Rejection};
use serde_json::{Value, json};
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use tempfile::TempDir;
use testkit::make::with;
use tower::ServiceExt;

/// The host that the tests' requests name.
pub(crate) const HOST: &str = "localhost";
/// 2026-05-17T12:00:00Z.
const NOW: Moment = Moment::from_millis(1_779_019_200_000);
const DAY_MS: i64 = 24 * 60 * 60 * 1000;

#[derive(Clone)]
pub(crate) struct TestShop {
    pub(crate) app: App,
    clock: Arc<ManualClock>,
    tokens: Arc<Vec<(Role, String)>>,
    /// Sent as Authorization; an owner's token unless a test says otherwise.
    bearer: Option<String>,
    /// How often its feed adapter took something in.
    adapter_calls: Arc<AtomicU32>,
    _folder: Arc<TempDir>,
}

#[derive(Debug)]
pub(crate) struct Reply {
    pub(crate) status: u16,
    headers: HeaderMap,
    pub(crate) bytes: Vec<u8>,
}

impl Reply {
    pub(crate) fn of(parts: axum::http::response::Parts, bytes: Vec<u8>) -> Self {
        Self { status: parts.status.as_u16(), headers: parts.headers, bytes }
    }

    pub(crate) fn header(&self, name: &str) -> Option<&str> {
        self.headers.get(name).and_then(|v| v.to_str().ok())
    }

    /// Every value of a header.
    pub(crate) fn all(&self, name: &str) -> Vec<&str> {
        self.headers.get_all(name).iter().filter_map(|v| v.to_str().ok()).collect()
    }

    pub(crate) fn text(&self) -> &str {
        std::str::from_utf8(&self.bytes).expect("UTF-8")
    }

    pub(crate) fn json(&self) -> Value {
        serde_json::from_slice(&self.bytes).unwrap_or_else(|e| panic!("{e}: {}", self.text()))
    }

    /// Asserts a problem document of the type, in body, status line and media type.
    pub(crate) fn expect_problem(&self, kind: &str, status: u16) {
        assert_eq!(
            (self.status, self.header("content-type")),
            (status, Some("application/problem+json")),
            "{}",
            self.text()
        );
        let document = self.json();
        assert_eq!(document["type"], format!("/problems/{kind}"), "{}", self.text());
        assert_eq!(document["status"], status);
        assert!(document["title"].is_string() && document["detail"].is_string(), "{}", self.text());
    }

    /// Asserts the problem of a wrong value at a pointer.
    pub(crate) fn expect_fault(&self, pointer: &str) {
        self.expect_problem("invalid", 422);
        assert_eq!(self.json()["errors"][0]["pointer"], pointer, "{}", self.text());
    }

    /// Asserts that no value in it is a JSON number.
    pub(crate) fn has_no_number(&self) -> bool {
        fn none(value: &Value) -> bool {
            match value {
                Value::Number(_) => false,
                Value::Array(values) => values.iter().all(none),
                Value::Object(members) => members.values().all(none),
                _ => true,
            }
        }
        none(&self.json())
    }

    /// The names of the members of the object that begins with `first`, in order.
    pub(crate) fn names_in_order(&self, first: &str) -> Vec<String> {
        let start = self.text().find(&format!("{{\"{first}\"")).expect("the object");
        let rest = &self.text()[start..];
        let end = rest.find('}').expect("its end");
        rest[1..end].split(',').filter_map(|m| m.split('"').nth(1).map(str::to_owned)).collect()
    }
}

fn money(minor: i64) -> Money {
    Money::from_minor(minor, Currency::USD).expect("an amount")
}

fn item(sku: &str, name: &str, kind: ItemKind) -> NewItem {
    let text = ItemText { name: name.to_owned(), ..ItemText::default() };
    NewItem { text, ..testkit::make::item(kind, sku) }
}

/// Two pieces of one style, counted goods, and goods by weight.
fn goods() -> Vec<NewItem> {
    let style = Some("Moor cowl".to_owned());
    let piece = |sku, name, ounces: &str, cost| {
        with(item(sku, name, ItemKind::Piece), |i| {
            i.pricing.style = style.clone();
            i.pricing.weight = Some(Weight::parse(ounces, WeightUnit::Ounce).expect("a weight"));
            i.pricing.cost = cost;
        })
    };
    let asked = |text: &str| Some(Asked::parse(text, None).expect("a quantity"));
    vec![
        piece("COWL", "Moor cowl", "6.35", Some(money(1250))),
        piece("HAT", "Moor cowl, small", "5.6", None),
        with(item("SPINDLE", "Drop spindle", ItemKind::Counted), |i| {
            i.pricing.price = Some(money(1800));
            i.stock.quantity = asked("10");
        }),
        with(item("ROVING", "Grey roving", ItemKind::Weight), |i| {
            i.pricing.price = Some(money(225));
            i.stock.quantity = asked("40");
            i.stock.stock_unit = Some(WeightUnit::Ounce);
            i.text.color = "grey".to_owned();
        }),
    ]
}

/// Counts what it is given, and fails for certain feeds, by name. What it publishes it records as a feed would
/// be, without writing one.
struct CountingAdapter {
    calls: Arc<AtomicU32>,
    ledger: Ledger,
}

impl CountingAdapter {
    async fn told(&self, what: Outgoing) -> Result<WentOut, FeedTrouble> {
        let feed = self.ledger.connection("feed").await?;
        let page = match &what {
            Outgoing::All => self.ledger.listings(feed, None).await?,
            Outgoing::Changes => self.ledger.waiting_listings(feed, None).await?,
            Outgoing::Again(run) => self.ledger.listings_of_run(feed, *run, None).await?,
            Outgoing::Pieces(items) => self.ledger.chosen_listings(feed, items, None).await?,
        };
        let told: Vec<Delivered> = page
            .rows()?
            .iter()
            .map(|row| {
                let state = match row.availability {
                    Availability::InStock => ListingState::Listed,
                    _ => ListingState::Ended,
                };
                Delivered {
                    item: row.item,
                    revision: row.revision,
                    content: Some(("hash".to_owned(), state)),
                }
            })
            .collect();
        if told.is_empty() && what == Outgoing::Changes {
            return Ok(WentOut::default());
        }
        let count = i64::try_from(told.len()).expect("few");
        let kind = if what == Outgoing::All { RunKind::All } else { RunKind::Changes };
        let items = told.iter().map(|t| t.item).collect();
        let (id, file_name) =
            (self.ledger.new_run().map_err(ledger::CommandError::from)?, "feed.csv".to_owned());
        let run = Some(ledger::online::NewRun {
            id,
            kind,
            listings: count,
            file_name,
            file_hash: "0a".to_owned(),
            items,
        });
        let record = RecordRun { connection: feed, told, run };
        let run = self.ledger.execute(None, &record).await?.answer;
        Ok(WentOut { run, listings: 1, bytes: b"sku\n".to_vec(), ..WentOut::default() })
    }
}

impl FeedAdapter for CountingAdapter {
    fn take_orders(&self, name: String, bytes: Vec<u8>, dry_run: bool, by: Actor) -> FeedFuture<'_> {
        Box::pin(async move {
            let calls = self.calls.fetch_add(1, Ordering::SeqCst) + 1;
            match name.as_str() {
                "unreadable" => Err(FeedTrouble::Unreadable("record 3 has no sku".to_owned())),
                "refused" => {
                    let (channel, number) = ("online".to_owned(), "17".to_owned());
                    Err(FeedTrouble::Ledger(Rejection::OrderDiffers { channel, number }.into()))
                }
                "broken" => Err(FeedTrouble::Other(Box::new(std::io::Error::other("secret path")))),
                _ => Ok(
                    json!({"name": name, "bytes": bytes.len().to_string(), "dryRun": dry_run, "calls": calls.to_string(), "who": by.who}),
                ),
            }
        })
    }

    fn take_order_file(&self, run: OrderFileRun) -> AdapterFuture<'_, OrdersTaken> {
        Box::pin(async move {
            self.calls.fetch_add(1, Ordering::SeqCst);
            if run.name == "unreadable.csv" {
                return Err(FeedTrouble::Unreadable("record 3 has no sku".to_owned()));
            }
            if !run.dry_run {
                let rejects = run.rejects.join("may.rejects.csv");
                std::fs::write(rejects, "orderNumber\nA-9\n").map_err(|e| FeedTrouble::Other(Box::new(e)))?;
            }
            Ok(OrdersTaken {
                is_dry: run.dry_run,
                new: 2,
                known: 1,
                rejected: 1,
                refused: vec!["line 3: order A-9: this may not be empty".to_owned()],
                has_rejects_file: !run.dry_run,
                ..OrdersTaken::default()
            })
        })
    }

    fn out_folder(&self) -> Option<String> {
        Some("out".to_owned())
    }

    fn put_out(&self, out: PutOut) -> AdapterFuture<'_, WentOut> {
        Box::pin(self.told(out.what))
    }

    fn compare(&self, list: GivenFile, _: bool) -> AdapterFuture<'_, Compared> {
        Box::pin(async move {
            if list.name == "unreadable" {
                return Err(FeedTrouble::Unreadable("record 3 has no sku".to_owned()));
            }
            let difference = |kind, sku: &str, what: &str, here: &str, there: &str| ListingDifference {
                kind,
                sku: sku.to_owned(),
                what: what.to_owned(),
                here: here.to_owned(),
                there: there.to_owned(),
            };
            Ok(Compared {
                listed: 2,
                differences: vec![
                    difference("gone", "GHOST", "Ghost hat", "SoldOut", "on offer"),
                    difference("price", "COWL", "price", "48.00", "45.00"),
                ],
                rejected: 1,
                refused: vec!["line 3: this may not be empty".to_owned()],
                adopted: 0,
            })
        })
    }

    fn read_layout(&self, text: &str) -> Result<String, LayoutFault> {
        let feed = text.strip_prefix("feed = \"").and_then(|rest| rest.split('"').next());
        let fault = || LayoutFault { line: Some(1), words: "this is not TOML".to_owned() };
        feed.map(str::to_owned).ok_or_else(fault)
    }

    fn preview(&self, file: GivenFile, _: usize) -> AdapterFuture<'_, Previewed> {
        Box::pin(async move {
            let row = PreviewedRow {
                line: 2,
                cells: vec!["A-1".to_owned(), "32 May".to_owned()],
                refused: Some("the date is wrong".to_owned()),
                to_blame: Some(1),
            };
            let feed = self.read_layout(file.layout.as_deref().unwrap_or_default());
            Ok(Previewed {
                feed: feed.unwrap_or_default(),
                fields: vec!["orderNumber".to_owned(), "orderDate".to_owned()],
                rows: vec![row],
            })
        })
    }
}

async fn stock(ledger: &Ledger) {
    let rate = WeightRate::parse("7.50", "ONZ").expect("a rate");
    let rule = PriceRule { rate, ending: PriceEnding::Whole, minimum: None };
    let name = "Moor cowl".to_owned();
    let style = NewStyle { name, rule, sizes: Vec::new(), category: String::new(), care: String::new() };
    ledger.execute(None, &AddStyles { styles: vec![style], who: String::new() }).await.expect("a style");
    let items = AddItems { items: goods(), who: String::new(), progress: None };
    let added = ledger.execute(None, &items).await.expect("items").answer;
    assert!(added.iter().all(|o| matches!(o, RowOutcome::Added(_))), "{added:?}");
}

/// The names of the tests' tokens by role; stock entries show them.
pub(crate) fn name_of(role: Role) -> &'static str {
    match role {
        Role::Counter => "counter",
        Role::Maker => "maker",
        Role::Owner => "api",
    }
}

async fn token(ledger: &Ledger, keys: &TokenKeys, role: Role) -> String {
    let (jti, name) = (format!("j-{role}"), name_of(role).to_owned());
    let until = NOW.plus_millis(3650 * DAY_MS);
    let token = keys.sign(&jti, &name, NOW, until).expect("a token");
    let add = AddToken { jti, name, role, until, who: String::new() };
    ledger.execute(None, &add).await.expect("a token");
    token
}

pub(crate) fn here() -> ConnectInfo<SocketAddr> {
    ConnectInfo(SocketAddr::from((Ipv4Addr::LOCALHOST, 50_000)))
}

impl TestShop {
    pub(crate) async fn open() -> Self {
        let shop = Self::empty().await;
        stock(shop.ledger()).await;
        shop
    }

    pub(crate) async fn empty() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("shop.db").display());
        let clock = Arc::new(ManualClock::at(NOW));
        let ledger = Ledger::open(&url, Access::Create, clock.clone()).await.expect("a shop");
        let keys = Arc::new(TokenKeys::open(&folder.path().join("shop.db.keys")).expect("keys"));
        let mut tokens = Vec::new();
        for role in Role::ALL {
            tokens.push((role, token(&ledger, &keys, role).await));
        }
        let app = App::new(ledger).with_keys(keys);
        let shop = Self {
            app,
            clock,
            tokens: Arc::new(tokens),
            bearer: None,
            adapter_calls: Arc::default(),
            _folder: Arc::new(folder),
        };
        shop.as_role(Role::Owner)
    }

    /// The same shop with requests by somebody of a role.
    pub(crate) fn as_role(&self, role: Role) -> Self {
        let token = self.tokens.iter().find(|(of, _)| *of == role).map(|(_, token)| token.clone());
        Self { bearer: token, ..self.clone() }
    }

    /// The same shop with requests by a stranger.
    pub(crate) fn as_nobody(&self) -> Self {
        Self { bearer: None, ..self.clone() }
    }

    /// What is sent as Authorization by default.
    pub(crate) fn bearer(&self) -> String {
        format!("Bearer {}", self.bearer.as_deref().unwrap_or_default())
    }

    pub(crate) fn at_site(self, site: &str) -> Self {
        Self { app: self.app.with_site(site.parse().expect("a site")), ..self }
    }

    /// Behind a proxy in this network.
    pub(crate) fn behind_proxy(self, net: &str) -> Self {
        Self { app: self.app.with_proxies(vec![net.parse().expect("a network")]), ..self }
    }

    pub(crate) fn with_feed_adapter(self) -> Self {
        let calls = Arc::clone(&self.adapter_calls);
        let adapter = CountingAdapter { calls, ledger: self.app.ledger.clone() };
        Self { app: self.app.with_feed_adapter(Arc::new(adapter)), ..self }
    }

    pub(crate) fn adapter_calls(&self) -> u32 {
        self.adapter_calls.load(Ordering::SeqCst)
    }

    pub(crate) fn ledger(&self) -> &Ledger {
        &self.app.ledger
    }

    pub(crate) fn next_day(&self) {
        self.clock.advance_millis(DAY_MS);
    }

    pub(crate) fn advance_millis(&self, millis: i64) {
        self.clock.advance_millis(millis);
    }

    pub(crate) async fn send(&self, mut request: Request<Body>) -> Reply {
        if request.extensions().get::<ConnectInfo<SocketAddr>>().is_none() {
            request.extensions_mut().insert(here());
        }
        let response = router(self.app.clone()).oneshot(request).await.expect("never fails");
        let (parts, body) = response.into_parts();
        Reply::of(parts, to_bytes(body, usize::MAX).await.expect("a body").to_vec())
    }

    pub(crate) async fn ask(
        &self,
        method: Method,
        path: &str,
        headers: &[(&str, &str)],
        body: Body,
    ) -> Reply {
        let mut request = Request::builder().method(method).uri(path).header("host", HOST);
        let is_said = headers.iter().any(|(name, _)| *name == "authorization");
        if self.bearer.is_some() && !is_said {
            request = request.header("authorization", self.bearer());
        }
        for (name, value) in headers {
            request = request.header(*name, *value);
        }
        self.send(request.body(body).expect("a request")).await
    }

    pub(crate) async fn get(&self, path: &str) -> Reply {
        self.get_with(path, &[]).await
    }

    pub(crate) async fn get_with(&self, path: &str, headers: &[(&str, &str)]) -> Reply {
        self.ask(Method::GET, path, headers, Body::empty()).await
    }

    pub(crate) async fn post(&self, path: &str, key: &str, body: Value) -> Reply {
        self.post_with(path, &[("idempotency-key", &quoted(key))], body).await
    }

    pub(crate) async fn post_with(&self, path: &str, headers: &[(&str, &str)], body: Value) -> Reply {
        let headers = [headers, &[("content-type", "application/json")]].concat();
        self.ask(Method::POST, path, &headers, Body::from(body.to_string())).await
    }

    pub(crate) async fn patch(&self, path: &str, key: &str, headers: &[(&str, &str)], body: Value) -> Reply {
        let key = quoted(key);
        let own = [("content-type", "application/json"), ("idempotency-key", key.as_str())];
        self.ask(Method::PATCH, path, &[headers, &own].concat(), Body::from(body.to_string())).await
    }

    pub(crate) async fn delete(&self, path: &str, key: &str) -> Reply {
        self.ask(Method::DELETE, path, &[("idempotency-key", &quoted(key))], Body::empty()).await
    }

    /// One of the item, paid with 50 in cash.
    pub(crate) fn cash_sale(sku: &str) -> Value {
        json!({"channel": "store", "lines": [{"sku": sku, "quantity": "1"}],
            "tenders": [{"kind": "cash", "amount": "50.00"}]})
    }

    pub(crate) async fn sell(&self, sku: &str, key: &str) -> Value {
        let reply = self.post("/api/sales", key, Self::cash_sale(sku)).await;
        assert_eq!(reply.status, 201, "{}", reply.text());
        reply.json()
    }
}

/// As an RFC 8941 string. Tests' keys are often made from what they send, so they are cut.
fn quoted(key: &str) -> String {
    let ascii: String = key.chars().filter(|c| c.is_ascii() && !c.is_ascii_control()).take(200).collect();
    format!("\"{}\"", ascii.replace('\\', "\\\\").replace('"', "\\\""))
}
