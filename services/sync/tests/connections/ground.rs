//! A shop in its own folder, a server in place of the online shop, and a clock that tests set.

use domain::codes::Code;
use domain::day::Moment;
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use domain::stock::ItemKind;
use ledger::online::ConnectionStatus;
use ledger::sales::SaleDone;
use ledger::shelf::{AddItems, EditItem, PriceChange, RowOutcome};
use ledger::{Access, Ledger, ManualClock};
use std::sync::Arc;
use std::time::Duration;
use sync::connections::{Limits, Live, Secrets, SyncCycle, When, check_connection};
use testkit::make::with;
use testkit::{Engine, make};
use wiremock::matchers::any;
use wiremock::{Mock, MockServer, Request, ResponseTemplate};

pub(crate) const START: i64 = testkit::START.millis();
pub(crate) const NAME: &str = "village";
pub(crate) const SECOND: i64 = 1000;
pub(crate) const HOUR: i64 = 60 * 60 * SECOND;

/// Long enough for a loopback server on a busy machine, short enough for a test that waits for it.
pub(crate) const LIMITS: Limits = Limits {
    connect: Duration::from_secs(3),
    read: Duration::from_millis(600),
    whole: Duration::from_millis(1500),
};

/// For most tests: one call for everything.
pub(crate) const OUT: &str = "[out]\nto = \"/intake/{sku}\"\nnew_pieces = \"list\"\n";

pub(crate) struct Ground {
    place: testkit::Ground,
    pub(crate) clock: Arc<ManualClock>,
    pub(crate) ledger: Ledger,
    pub(crate) live: Live,
    pub(crate) server: MockServer,
    dice: u64,
}

impl Ground {
    /// An empty shop, and a server without any answers yet.
    pub(crate) async fn new() -> Self {
        let testkit::TestShop { clock, ledger, ground: place, .. } =
            testkit::TestShop::open(Engine::Sqlite).await;
        let secrets = place.path("secrets");
        std::fs::create_dir(&secrets).unwrap();
        let live = Live::new(Secrets::with_variables(Some(secrets), |_| None), LIMITS);
        Self { place, clock, ledger, live, server: MockServer::start().await, dice: 1 }
    }

    /// With a connection of these tables, and pieces with these SKUs.
    pub(crate) async fn with(tables: &str, skus: &[&str]) -> Self {
        let ground = Self::new().await;
        ground.connect(tables).await;
        for sku in skus {
            ground.piece(sku).await;
        }
        ground
    }

    pub(crate) async fn connect(&self, tables: &str) {
        self.connect_to(&self.server.uri(), tables).await;
    }

    pub(crate) async fn connect_to(&self, base: &str, tables: &str) {
        let text =
            format!("channel = \"online\"\nbase = \"{base}\"\nprivate = true\nper_second = 1000\n{tables}");
        self.save(&text).await;
    }

    pub(crate) async fn save(&self, text: &str) {
        let checked = check_connection(text).unwrap_or_else(|e| panic!("{e}\n{text}"));
        let save = checked.save(NAME, text.to_owned(), "test");
        self.ledger.execute(None, &save).await.unwrap();
    }

    /// Another process with the same shop.
    pub(crate) async fn another(&self) -> (Ledger, Live) {
        let secrets = Secrets::with_variables(Some(self.place.path("secrets")), |_| None);
        (open(&self.place, &self.clock).await, Live::new(secrets, LIMITS))
    }

    pub(crate) fn path(&self, name: &str) -> std::path::PathBuf {
        self.place.path(name)
    }

    pub(crate) fn secret(&self, name: &str, text: &str) {
        std::fs::write(self.place.path("secrets").join(name), text).unwrap();
    }

    pub(crate) async fn piece(&self, sku: &str) {
        self.add(sku, ItemKind::Piece, None).await;
    }

    pub(crate) async fn add(&self, sku: &str, kind: ItemKind, quantity: Option<Asked>) {
        let price = Money::from_minor(4000, Currency::USD).ok();
        let item = with(make::item(kind, sku), |i| {
            i.pricing.price = price;
            i.stock.quantity = quantity;
        });
        let add = AddItems { items: vec![item], who: "test".to_owned(), progress: None };
        let done = self.ledger.execute(None, &add).await.unwrap().answer;
        assert!(matches!(done[0], RowOutcome::Added(_)), "{done:?}");
    }

    pub(crate) async fn sell(&self, sku: &str) -> SaleDone {
        make::sell(&self.ledger, sku).await
    }

    pub(crate) async fn take_back(&self, sale: &SaleDone) {
        make::take_back(&self.ledger, sale).await;
    }

    /// Raises an item's price.
    pub(crate) async fn dearer(&self, sku: &str) {
        let price = Money::from_minor(4400, Currency::USD).map(PriceChange::Hand).ok();
        let edit = EditItem { price, ..EditItem::new(Code::parse(sku).unwrap(), "test") };
        self.ledger.execute(None, &edit).await.unwrap();
    }

    /// One round; returns when the next is due, in milliseconds from now.
    pub(crate) async fn round(&mut self) -> Option<i64> {
        self.dice += 1;
        match SyncCycle::run(&self.ledger, &self.live, self.dice).await.unwrap() {
            When::At(at) => Some(at.millis() - self.ledger.now().millis()),
            When::OnChange => None,
        }
    }

    /// Rounds until nothing is due within `millis`; the clock moves from one to the next.
    pub(crate) async fn rounds(&mut self, millis: i64) {
        let end = self.ledger.now().millis() + millis;
        for _ in 0..500 {
            let Some(wait) = self.round().await else { break };
            if self.ledger.now().millis() + wait > end {
                break;
            }
            self.wait(wait.max(1));
        }
        self.clock.set(Moment::from_millis(end));
    }

    pub(crate) fn wait(&self, millis: i64) {
        self.clock.advance_millis(millis);
    }

    pub(crate) async fn status(&self) -> ConnectionStatus {
        let statuses = self.ledger.connection_statuses().await.unwrap();
        statuses.into_iter().find(|s| s.name == NAME).unwrap()
    }

    /// “sent refused waiting parked kept”.
    pub(crate) async fn counts(&self) -> String {
        let s = self.status().await;
        format!("{} {} {} {} {}", s.sent, s.refused, s.waiting, s.parked, s.orders_deferred)
    }

    /// “on hand, held” of an item.
    pub(crate) async fn stock(&self, sku: &str) -> String {
        let item = self.ledger.item(&Code::parse(sku).unwrap()).await.unwrap();
        format!("{} {}", item.on_hand.value().normalize(), item.held.value().normalize())
    }

    /// Gives every request this answer from now on.
    pub(crate) async fn answer(&self, template: ResponseTemplate) {
        self.server.reset().await;
        Mock::given(any()).respond_with(template).mount(&self.server).await;
    }

    /// The requests since the last reset, as “method path availability”.
    pub(crate) async fn asked(&self) -> Vec<String> {
        let requests = self.server.received_requests().await.unwrap();
        requests.iter().map(told).collect()
    }

    pub(crate) async fn requests(&self) -> Vec<Request> {
        self.server.received_requests().await.unwrap()
    }
}

async fn open(place: &testkit::Ground, clock: &Arc<ManualClock>) -> Ledger {
    Ledger::open(&place.url, Access::Write, Arc::<ManualClock>::clone(clock)).await.unwrap()
}

pub(crate) fn told(request: &Request) -> String {
    let body: serde_json::Value = serde_json::from_slice(&request.body).unwrap_or_default();
    let availability = body.pointer("/offers/availability").and_then(|a| a.as_str()).unwrap_or_default();
    let path = match request.url.query() {
        Some(query) => format!("{}?{query}", request.url.path()),
        None => request.url.path().to_owned(),
    };
    let short = availability.trim_start_matches("https://schema.org/");
    format!("{} {path} {short}", request.method).trim_end().to_owned()
}

pub(crate) fn ok() -> ResponseTemplate {
    ResponseTemplate::new(200)
}
