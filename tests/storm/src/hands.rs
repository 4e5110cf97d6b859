//! The people of the house: the counter, the Workbench, and decisions about short lines.

use crate::shops::ShopKind;
use crate::world::{Good, World};
use crate::{Doing, StormError};
use domain::basket::{TenderKind, line_amount};
use domain::channel::Channel;
use domain::codes::Code;
use domain::item::{ItemPricing, ItemStock, ItemText, TextEdit, TextField};
use domain::money::{Currency, Money};
use domain::quantity::{Asked, Quantity};
use domain::stock::{ItemKind, ReturnDisposition, StockReason};
use domain::weight::WeightUnit;
use ledger::CommandError;
use ledger::orders::{DecideLine, EndHold, LineChoice, OrderLineState};
use ledger::sales::{DecideReturn, NewRefund, NewSale, RefundTender, SaleLineIn, TenderIn, VoidSale};
use ledger::shelf::{
    AddItems, AdjustStock, Counted, EditItem, HoldLine, NewHold, NewItem, PriceChange, Purpose,
};
use rust_decimal::Decimal;

/// Prices are between these, in cents.
const PRICES: std::ops::RangeInclusive<i64> = 500..=9_000;
const WHO: &str = "storm";
/// How long a list of the shop's may be believed before it is read again.
const LOOKED_AT_FOR_MS: i64 = 5 * 60 * 1000;

fn usd(cents: i64) -> Result<Money, StormError> {
    Money::from_minor(cents, Currency::USD).doing("make an amount")
}

fn code(sku: &str) -> Result<Code, StormError> {
    Code::parse(sku).doing("read a code")
}

fn units(count: i64) -> Asked {
    Asked { value: Decimal::from(count), unit: None }
}

impl World {
    pub(crate) async fn house(&mut self) -> Result<(), StormError> {
        match self.dice.u8(0..20) {
            0..=6 => self.ring_up().await,
            7..=8 => self.set_aside().await,
            9 => self.end_hold().await,
            10..=11 => self.give_back().await,
            12 => self.decide_fate().await,
            13 => self.void().await,
            14..=15 => self.edit().await,
            16 => self.finish().await,
            17 => self.count().await,
            _ => self.decide_short().await,
        }
    }

    fn pick(&mut self) -> Option<Good> {
        self.dice.choice(&self.goods).cloned()
    }

    /// A new item at the Workbench: usually a piece, sometimes one that the shop has sold already.
    pub(crate) async fn finish(&mut self) -> Result<(), StormError> {
        let promised = self.promised.pop();
        if promised.is_some() && self.plan.shop == ShopKind::Plates {
            // What the shop had a moment ago is trusted if nothing reports a single listing.
            self.advance(LOOKED_AT_FOR_MS).await;
        }
        let kind = match self.dice.u8(0..6) {
            _ if promised.is_some() => ItemKind::Piece,
            0 => ItemKind::Counted,
            1 => ItemKind::Weight,
            _ => ItemKind::Piece,
        };
        let sku = promised.unwrap_or_else(|| format!("S{}", self.goods.len()));
        let many = self.dice.i64(1..=5);
        let price = self.dice.i64(PRICES);
        let item = NewItem {
            text: ItemText {
                name: format!("Piece {sku}"),
                color: "moss".to_owned(),
                material: "wool".to_owned(),
                ..ItemText::default()
            },
            sku: Some(code(&sku)?),
            gtin: None,
            pricing: ItemPricing { price: Some(usd(price)?), ..ItemPricing::none(Currency::USD) },
            stock: ItemStock {
                quantity: (kind != ItemKind::Piece).then(|| units(many)),
                stock_unit: (kind == ItemKind::Weight).then_some(WeightUnit::Ounce),
                ..ItemStock::of(kind)
            },
        };
        let add = AddItems { items: vec![item], who: WHO.to_owned(), progress: None };
        if self.plan.shape.stock_alone {
            // A house that sends only stock has created the listing some other way.
            self.shop.put_own(&sku, "By a file", Decimal::from(30), Decimal::ZERO);
        }
        if self.try_to(&add).await?.is_some() {
            let (is_piece, is_weighed) = (kind == ItemKind::Piece, kind == ItemKind::Weight);
            self.goods.push(Good { sku: sku.clone(), is_piece, is_weighed });
            if !self.plan.shape.lists_new_pieces && self.dice.bool() {
                self.put_on(Some(vec![code(&sku)?])).await?;
            }
        }
        Ok(())
    }

    /// Lists pieces on the connection that waits for a person to choose; returns how many are new there.
    pub(crate) async fn put_on(&mut self, codes: Option<Vec<Code>>) -> Result<usize, StormError> {
        match self.ledger().put_on_connection(self.connection, codes.as_deref(), WHO).await {
            Ok(put) => Ok(put),
            Err(CommandError::Rejected(_)) => Ok(0),
            Err(failure) => Err(failure).doing("put pieces on the connection"),
        }
    }

    async fn ring_up(&mut self) -> Result<(), StormError> {
        let (mut lines, mut due) = (Vec::new(), usd(0)?);
        let mut wanted: Vec<Good> = (0..self.dice.usize(1..=2)).filter_map(|_| self.pick()).collect();
        wanted.sort_by(|a, b| a.sku.cmp(&b.sku));
        wanted.dedup_by(|a, b| a.sku == b.sku);
        for good in wanted {
            let asked = units(if good.is_piece { 1 } else { self.dice.i64(1..=2) });
            let item = self.ledger().item(&code(&good.sku)?).await.doing("look an item up")?;
            let quantity = Quantity::resolve(asked, item.measure()).doing("read a quantity")?;
            let amount = line_amount(item.price, quantity).doing("price a line")?;
            due = due.plus(amount).doing("add a basket up")?;
            let (discount, tax) = (usd(0)?, usd(0)?);
            lines.push(SaleLineIn::Goods { code: code(&good.sku)?, quantity: asked, discount, tax });
        }
        if lines.is_empty() {
            return Ok(());
        }
        let sale = NewSale {
            channel: Channel::parse("store").doing("name a channel")?,
            lines,
            discount: usd(0)?,
            shipping: usd(0)?,
            tenders: vec![TenderIn::plain(TenderKind::Card, due)],
            customer: None,
            is_granted: false,
            hold: None,
            at: None,
            note: String::new(),
            who: WHO.to_owned(),
        };
        if let Some(done) = self.try_to(&sale).await? {
            self.sales.push(done.id);
            self.happened.sold += 1;
        }
        Ok(())
    }

    async fn set_aside(&mut self) -> Result<(), StormError> {
        let Some(good) = self.pick() else { return Ok(()) };
        let until =
            self.dice.bool().then(|| self.ledger().now().plus_millis(self.dice.i64(60_000..7_200_000)));
        let hold = NewHold {
            lines: vec![HoldLine { code: code(&good.sku)?, quantity: units(1) }],
            purpose: Purpose::Customer,
            for_whom: "Ann".to_owned(),
            customer: None,
            until,
        };
        if let Some(held) = self.try_to(&hold).await? {
            self.holds.push(held.id);
        }
        Ok(())
    }

    async fn end_hold(&mut self) -> Result<(), StormError> {
        if self.holds.is_empty() {
            return Ok(());
        }
        let id = self.holds.swap_remove(self.dice.usize(0..self.holds.len()));
        self.try_to(&EndHold { id }).await.map(|_| ())
    }

    async fn give_back(&mut self) -> Result<(), StormError> {
        let Some(sale) = self.dice.choice(&self.sales).copied() else { return Ok(()) };
        let fate = match self.dice.u8(0..3) {
            0 => ReturnDisposition::Open,
            1 => ReturnDisposition::WrittenOff,
            _ => ReturnDisposition::Shelf,
        };
        let refund = NewRefund {
            sale,
            lines: Vec::new(),
            fate,
            shipping: usd(0)?,
            tender: RefundTender::All(TenderKind::Card),
            certificate: None,
            reason: "does not fit".to_owned(),
            who: WHO.to_owned(),
        };
        if let Some(done) = self.try_to(&refund).await?
            && fate == ReturnDisposition::Open
        {
            self.undecided.extend(done.lines.iter().map(|line| line.0));
        }
        Ok(())
    }

    /// Refunded goods are returned to stock or written off: the counter's and those of online orders.
    async fn decide_fate(&mut self) -> Result<(), StormError> {
        let sales = self.ledger().sales(None, 50).await.doing("list sales")?;
        let open = sales.iter().flat_map(|sale| &sale.refunds).flat_map(|refund| &refund.lines);
        let open: Vec<_> = open.filter(|line| line.2 == ReturnDisposition::Open).map(|line| line.0).collect();
        let Some(line) = self.dice.choice(&open).copied() else { return Ok(()) };
        let fate = if self.dice.bool() { ReturnDisposition::Shelf } else { ReturnDisposition::WrittenOff };
        self.try_to(&DecideReturn { line, fate, who: WHO.to_owned() }).await.map(|_| ())
    }

    async fn void(&mut self) -> Result<(), StormError> {
        let Some(sale) = self.dice.choice(&self.sales).copied() else { return Ok(()) };
        let void = VoidSale { sale, reason: "rung up twice".to_owned(), who: WHO.to_owned() };
        self.try_to(&void).await.map(|_| ())
    }

    /// Changes a price or a text, or unlists and lists an item.
    async fn edit(&mut self) -> Result<(), StormError> {
        let Some(good) = self.pick() else { return Ok(()) };
        let mut edit = EditItem::new(code(&good.sku)?, WHO);
        match self.dice.u8(0..4) {
            0 => edit.price = Some(PriceChange::Hand(usd(self.dice.i64(PRICES))?)),
            1 => edit.do_not_list = Some(self.dice.bool()),
            _ => {
                let text = format!("Warm, no. {}", self.dice.u16(..));
                edit.text = TextEdit::default().with(TextField::Description, text);
            }
        }
        self.try_to(&edit).await.map(|_| ())
    }

    async fn count(&mut self) -> Result<(), StormError> {
        let Some(good) = self.pick().filter(|good| !good.is_piece) else { return Ok(()) };
        let what = match self.dice.u8(0..3) {
            0 => Counted::Is(units(self.dice.i64(0..=4))),
            1 => Counted::More(units(self.dice.i64(1..=3))),
            _ => Counted::Less(units(1), StockReason::Damage),
        };
        let adjust =
            AdjustStock { code: code(&good.sku)?, what, note: "counted".to_owned(), who: WHO.to_owned() };
        self.try_to(&adjust).await.map(|_| ())
    }

    /// A person decides about a short line.
    async fn decide_short(&mut self) -> Result<(), StormError> {
        let orders = self.ledger().orders(None, true, 20).await.doing("list short orders")?;
        let Some(order) = self.dice.choice(&orders) else { return Ok(()) };
        let short = order.lines.iter().find(|line| line.state == OrderLineState::Short);
        let Some(line) = short.map(|line| line.id) else { return Ok(()) };
        let order = order.id;
        let choice = match self.dice.u8(0..3) {
            0 => LineChoice::Refund,
            1 => LineChoice::Fill,
            _ => match self.pick() {
                Some(good) => LineChoice::Substitute(code(&good.sku)?),
                None => LineChoice::Refund,
            },
        };
        let reason = "as agreed by post".to_owned();
        let decide = DecideLine { order, line, choice, reason, who: WHO.to_owned() };
        self.try_to(&decide).await.map(|_| ())
    }
}
