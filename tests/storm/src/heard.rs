//! A counter and a sender on one database that do not know each other, and how soon the shop learns of a sale.

use crate::connection::NAME;
use crate::ground::Template;
use crate::{Doing, StormError, weather};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::codes::Code;
use domain::item::{ItemPricing, ItemStock, ItemText};
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use domain::stock::ItemKind;
use ledger::sales::{NewSale, SaleLineIn, TenderIn};
use ledger::shelf::{AddItems, NewItem};
use ledger::{Access, Ledger, SystemClock};
use pretend::{Options, Running, Shop};
use rust_decimal::Decimal;
use std::net::Ipv4Addr;
use std::sync::Arc;
use std::time::{Duration, Instant};
use sync::connections::{Live, Secrets, serve};
use testkit::{Engine, Ground};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

const PRICE: i64 = 2_800;
const LOOK_EVERY: Duration = Duration::from_millis(1);

fn usd(cents: i64) -> Result<Money, StormError> {
    Money::from_minor(cents, Currency::USD).doing("make an amount")
}

/// A counter: it sells, and sends nothing.
#[derive(Debug)]
pub struct Counter(Ledger);

impl Counter {
    /// Opens the shop at its address.
    ///
    /// # Errors
    /// If it cannot be opened.
    pub async fn open(url: &str) -> Result<Self, StormError> {
        Ok(Self(Ledger::open(url, Access::Write, Arc::new(SystemClock)).await.doing("open the counter")?))
    }

    /// Sells a piece.
    ///
    /// # Errors
    /// If it is not sold.
    pub async fn sell(&self, sku: &str) -> Result<(), StormError> {
        let line = SaleLineIn::Goods {
            code: Code::parse(sku).doing("read a code")?,
            quantity: Asked { value: Decimal::ONE, unit: None },
            discount: usd(0)?,
            tax: usd(0)?,
        };
        let sale = NewSale {
            channel: Channel::store(),
            lines: vec![line],
            discount: usd(0)?,
            shipping: usd(0)?,
            tenders: vec![TenderIn::plain(TenderKind::Card, usd(PRICE)?)],
            customer: None,
            is_granted: false,
            hold: None,
            at: None,
            note: String::new(),
            who: "counter".to_owned(),
        };
        self.0.execute(None, &sale).await.doing("sell a piece").map(|_| ())
    }

    pub async fn close(&self) {
        self.0.close().await;
    }
}

/// A sender that serves, and the shop that it sends to.
#[derive(Debug)]
pub struct Listening {
    ground: Ground,
    ledger: Ledger,
    shop: Running,
    stop: oneshot::Sender<()>,
    serving: JoinHandle<()>,
    _template: Template,
}

impl Listening {
    pub fn sku(number: usize) -> String {
        format!("H{number}")
    }

    /// With this many pieces available.
    ///
    /// # Errors
    /// If any step fails.
    pub async fn begin(pieces: usize) -> Result<Self, StormError> {
        let template = Template::make(Engine::Postgres).await?;
        let ground = template.copy();
        let ledger = Ledger::open(&ground.url, Access::Write, Arc::new(SystemClock));
        let ledger = ledger.await.doing("open the shop")?;
        let options = Options { listen: (Ipv4Addr::LOCALHOST, 0).into(), ..Options::default() };
        let shop = Shop::start(options).await.doing("open the pretend shop")?;
        for number in 0..pieces {
            let items = vec![piece(&Self::sku(number))?];
            let add = AddItems { items, who: "owner".to_owned(), progress: None };
            ledger.execute(None, &add).await.doing("add a piece")?;
        }
        let text = format!(
            "channel = \"online\"\nbase = \"{}\"\nprivate = true\nper_second = 1000\n\
             [out]\nto = \"/intake/{{sku}}\"\nnew_pieces = \"list\"\n",
            shop.base()
        );
        let checked = sync::connections::check_connection(&text).doing("read the connection")?;
        ledger.execute(None, &checked.save(NAME, text, "owner")).await.doing("save the connection")?;
        let live = Arc::new(Live::new(Secrets::new(None), weather::PATIENT));
        let (stop, stopped) = oneshot::channel::<()>();
        let serving = tokio::spawn(serve(ledger.clone(), live, 1, async move {
            // It ends with the test in any case.
            let _ = stopped.await;
        }));
        let listening = Self { ground, ledger, shop, stop, serving, _template: template };
        let began = Instant::now();
        while listening.shop.goods().len() < pieces {
            if began.elapsed() > Duration::from_mins(1) {
                return Err(StormError::Wrong(vec!["the shop was not told of all pieces".to_owned()]));
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
        Ok(listening)
    }

    pub fn url(&self) -> &str {
        &self.ground.url
    }

    /// When the shop learned that the piece is gone; none if it did not in time.
    pub async fn told(&self, sku: &str, within: Duration) -> Option<Instant> {
        let began = Instant::now();
        while began.elapsed() < within {
            if self.shop.availability(sku) == Some(Decimal::ZERO) {
                return Some(Instant::now());
            }
            tokio::time::sleep(LOOK_EVERY).await;
        }
        None
    }

    pub async fn end(self) {
        // The receiver may have ended already.
        let _ = self.stop.send(());
        let _ = self.serving.await;
        self.ledger.close().await;
    }
}

fn piece(sku: &str) -> Result<NewItem, StormError> {
    Ok(NewItem {
        text: ItemText {
            name: format!("Piece {sku}"),
            color: "moss".to_owned(),
            material: "wool".to_owned(),
            ..ItemText::default()
        },
        sku: Some(Code::parse(sku).doing("read a code")?),
        gtin: None,
        pricing: ItemPricing { price: Some(usd(PRICE)?), ..ItemPricing::none(Currency::USD) },
        stock: ItemStock::of(ItemKind::Piece),
    })
}
