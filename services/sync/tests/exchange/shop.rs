//! A shop in its own folder, with short helpers.

use domain::codes::Code;
use ledger::{Ledger, ManualClock};
use std::fs;
use std::path::PathBuf;
use std::sync::Arc;
use sync::exchange::{
    AddReport, AddRun, CompareRun, Destination, FeedOutError, FeedOutReport, FeedOutRun, IntakeError,
    OrdersReport, OrdersRun, OutFormat, What, add_items, add_styles, compare, feed_in, feed_out,
};
use sync::{Given, GivenLayout, Watch};
use testkit::{Engine, Ground, make};

/// Four pieces, counted goods and goods by weight.
pub(crate) const ITEMS: &str = "name,sku,kind,offers.price,quantity,quantity.unitCode,cost\n\
    Ridge beanie,B1,,48.00,,,20\n\
    Ridge beanie,B2,,52.00,,,20\n\
    Moor cowl,C1,,60.00,,,\n\
    Moor cowl,C2,,64.00,,,\n\
    Loom kit,KIT,,35.00,3,,15\n\
    Grey roving,ROV,,3.25,40,ONZ,1\n";

pub(crate) struct TestShop {
    pub(crate) ground: Ground,
    pub(crate) clock: Arc<ManualClock>,
    pub(crate) ledger: Ledger,
}

impl TestShop {
    pub(crate) async fn open() -> Self {
        let testkit::TestShop { clock, ledger, ground, .. } = testkit::TestShop::open(Engine::Sqlite).await;
        Self { ground, clock, ledger }
    }

    /// With [`ITEMS`] in stock.
    pub(crate) async fn stocked() -> Self {
        let shop = Self::open().await;
        let report = shop.items("items.csv", ITEMS).await.unwrap();
        assert_eq!((report.added, report.rejected), (6, 0), "{report:?}");
        shop
    }

    pub(crate) fn path(&self, name: &str) -> PathBuf {
        self.ground.path(name)
    }

    pub(crate) fn read(&self, name: &str) -> String {
        fs::read_to_string(self.path(name)).unwrap()
    }

    pub(crate) fn given(&self, name: &str, text: impl AsRef<[u8]>) -> Given {
        fs::write(self.path(name), text).unwrap();
        Given::file(&self.path(name)).unwrap()
    }

    pub(crate) async fn items(&self, name: &str, text: &str) -> Result<AddReport, IntakeError> {
        self.add(name, text, false, None).await
    }

    pub(crate) async fn add(
        &self,
        name: &str,
        text: &str,
        again: bool,
        layout: Option<&GivenLayout>,
    ) -> Result<AddReport, IntakeError> {
        let given = self.given(name, text);
        let run = AddRun { given: &given, layout, again, who: "test", watch: Watch::new() };
        add_items(&self.ledger, &run).await
    }

    pub(crate) async fn styles(&self, text: &str) -> Result<AddReport, IntakeError> {
        let given = self.given("styles.csv", text);
        let run = AddRun { given: &given, layout: None, again: false, who: "test", watch: Watch::new() };
        add_styles(&self.ledger, &run).await
    }

    pub(crate) async fn orders(&self, name: &str, text: &str) -> Result<OrdersReport, IntakeError> {
        self.orders_as(name, text, false, false).await
    }

    pub(crate) async fn orders_as(
        &self,
        name: &str,
        text: impl AsRef<[u8]>,
        past: bool,
        dry_run: bool,
    ) -> Result<OrdersReport, IntakeError> {
        let given = self.given(name, text);
        let watch = Watch::new();
        let run = OrdersRun { given: &given, layout: None, past, dry_run, who: "test", watch };
        feed_in(&self.ledger, &run).await
    }

    /// Imports orders from a stored file.
    pub(crate) async fn feed(&self, given: &Given) -> Result<OrdersReport, IntakeError> {
        let watch = Watch::new();
        let run = OrdersRun { given, layout: None, past: false, dry_run: false, who: "test", watch };
        feed_in(&self.ledger, &run).await
    }

    /// Writes a feed into the folder `out`.
    pub(crate) async fn out(&self, what: What) -> Result<FeedOutReport, FeedOutError> {
        let to = Destination::Folder(self.path("out"));
        let run = FeedOutRun { what, format: OutFormat::Csv, layout: None, to, watch: Watch::new() };
        feed_out(&self.ledger, run).await
    }

    /// “sku availability level” of each listing in an exported feed.
    pub(crate) fn lines(report: &FeedOutReport) -> Vec<String> {
        let Some(file) = &report.file else { return Vec::new() };
        let text = fs::read_to_string(file).unwrap();
        let mut rows = text.lines().map(|line| line.split(',').collect::<Vec<_>>());
        let heading = rows.next().unwrap();
        let at = |name: &str| heading.iter().position(|h| *h == name).unwrap();
        let (sku, availability, level) = (at("sku"), at("offers.availability"), at("inventoryLevel"));
        rows.map(|row| format!("{} {} {}", row[sku], row[availability], row[level])).collect()
    }

    pub(crate) async fn compare(&self, text: &str, adopt: bool) -> (Vec<String>, u64) {
        let given = self.given("theirs.csv", text);
        let run = CompareRun { given: &given, layout: None, adopt, watch: Watch::new() };
        let report = compare(&self.ledger, &run).await.unwrap();
        assert_eq!(report.rejected, 0, "{:?}", report.refused);
        (report.differences.iter().map(|d| format!("{}: {d}", d.code())).collect(), report.adopted)
    }

    /// Rings up one at the counter.
    pub(crate) async fn sell(&self, sku: &str) -> ledger::sales::SaleDone {
        make::sell(&self.ledger, sku).await
    }

    /// Refunds a whole sale; the goods go back to stock.
    pub(crate) async fn take_back(&self, sale: &ledger::sales::SaleDone) {
        make::take_back(&self.ledger, sale).await;
    }

    /// “on hand, held” of an item.
    pub(crate) async fn stock(&self, sku: &str) -> String {
        let item = self.ledger.item(&Code::parse(sku).unwrap()).await.unwrap();
        format!("{} {}", item.on_hand.value().normalize(), item.held.value().normalize())
    }

    pub(crate) async fn count_items(&self) -> usize {
        self.ledger.items(None, "", 1_000_000).await.unwrap().len()
    }
}
