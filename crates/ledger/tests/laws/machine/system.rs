//! The ledger itself, on each engine, with the same commands.

use super::command::{Back, By, Sell, Step, What};
use super::model::{Figures, Model};
use super::online::Online;
use super::orders;
use crate::audit;
use crate::harness::{Shop, in_full, kind, started};
use crate::make::*;
use domain::basket::TenderKind;
use domain::codes::Gtin;
use domain::day::Moment;
use domain::ids::{HoldGroupId, RefundLineId, SaleId, SaleLineId, TenderId};
use domain::money::Money;
use domain::quantity::Asked;
use domain::stock::{ItemKind, ReturnDisposition};
use domain::weight::WeightUnit;
use ledger::books::{BooksBy, BooksQuery};
use ledger::keeping::SetShop;
use ledger::orders::{EndHold, RemovePiece};
use ledger::sales::{DecideReturn, NewRefund, NewSale, Pay, RefundOf, RefundTender, TenderIn, VoidSale};
use ledger::shelf::{EditItem, PriceChange, Purpose, RowOutcome, SweepHolds};
use ledger::{Command, CommandError, Key, Rejection};
use rust_decimal::Decimal;
use std::collections::BTreeMap;
use testkit::make::certificate;
use testkit::{Ground, engines};
use tokio::runtime::Runtime;

/// One engine's shop, and its own identifiers by position.
struct One {
    shop: Shop,
    ground: Ground,
    groups: Vec<HoldGroupId>,
    sales: Vec<(SaleId, Vec<SaleLineId>)>,
    /// Their receipts: orders draw some in between.
    receipts: Vec<i64>,
    refund_lines: Vec<RefundLineId>,
    debts: Vec<TenderId>,
    /// How many sales had a key, and those whose answers are stored by it.
    sells: usize,
    kept: Vec<(usize, NewSale)>,
    online: Online,
}

pub(super) struct System {
    runtime: Runtime,
    ones: Vec<One>,
}

type Said = Result<String, Rejection>;

impl System {
    pub(super) fn new() -> Self {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap();
        let mut ones = Vec::new();
        for engine in engines() {
            let (shop, ground) = runtime.block_on(started(engine));
            let (groups, sales, refund_lines, debts) = (vec![], vec![], vec![], vec![]);
            let online = runtime.block_on(Online::connect(&shop));
            ones.push(One {
                online,
                shop,
                ground,
                groups,
                sales,
                receipts: vec![],
                refund_lines,
                debts,
                sells: 0,
                kept: vec![],
            });
        }
        Self { runtime, ones }
    }

    /// Runs the step on each engine and compares the answers and the shelves.
    pub(super) fn run(&mut self, step: &Step, model: &Model) {
        for one in &mut self.ones {
            self.runtime.block_on(async {
                let said = match one.run(step, model).await {
                    Ok(said) => said,
                    Err(Rejection::AlreadySold { sold, .. }) => {
                        format!("refused already-sold {}", one.place_of(sold.receipt.unwrap()))
                    }
                    Err(rejection) => format!("refused {}", kind(&rejection)),
                };
                assert_eq!(said, model.said, "on {:?}: {step:?}", one.shop.engine);
                one.compare_shelf(step, model).await;
            });
        }
    }

    pub(super) fn end(self, model: &Model) {
        for one in self.ones {
            self.runtime.block_on(async {
                assert_eq!(one.books().await, model.books(), "on {:?}", one.shop.engine);
                let online = orders::books(&one.shop).await;
                assert_eq!(model.folded(online), model.online_books(), "on {:?}: orders", one.shop.engine);
                audit::clean(&one.shop).await;
                one.online.agrees(&one.shop).await;
                audit::clean(&one.shop).await;
                one.shop.end().await;
                drop(one.ground);
            });
        }
    }
}

fn sku(item: usize) -> String {
    format!("item-{item}")
}

impl One {
    async fn run(&mut self, step: &Step, model: &Model) -> Said {
        match step {
            Step::Add { kind, stock_units, cost, gtin } => {
                self.add(model, *kind, *stock_units, *cost, *gtin).await
            }
            Step::Edit { item, price, stale } => {
                let price = Some(PriceChange::Hand(usd(*price)));
                let edit = EditItem { price, revision: stale.then_some(-1), ..edit(&sku(*item)) };
                self.said(edit, |_| String::new()).await
            }
            Step::Adjust { item, what } => self.adjust(model, *item, what).await,
            Step::Remove { .. } if model.said == orders::SKIPPED => Ok(orders::SKIPPED.to_owned()),
            Step::Remove { item } => {
                let (reason, who) = ("typed twice".to_owned(), "maker".to_owned());
                let remove = RemovePiece { code: code(&sku(*item)), reason, who };
                self.said(remove, |_| String::new()).await
            }
            Step::Hold { lines, purpose } => self.hold(model, lines, *purpose).await,
            Step::EndHold { group } => {
                let id = self.groups.get(*group).copied().unwrap_or(HoldGroupId::from_raw(1));
                self.said(EndHold { id }, |ended| format!("ended {ended}")).await
            }
            Step::Sweep => self.said(SweepHolds, |ended| format!("ended {ended}")).await,
            Step::Advance { millis } => {
                self.shop.clock.advance_millis(*millis);
                Ok(String::new())
            }
            Step::Sell(sell) => self.sell(model, sell).await,
            Step::Refund { sale, what, fate, by } => self.refund(model, *sale, what, *fate, *by).await,
            Step::Decide { line, shelf } => {
                let line = self.refund_lines.get(*line).copied().unwrap_or(RefundLineId::from_raw(1));
                let fate = if *shelf { ReturnDisposition::Shelf } else { ReturnDisposition::WrittenOff };
                self.said(DecideReturn { line, fate, who: String::new() }, |()| String::new()).await
            }
            Step::Void { sale } => {
                let sale = self.sales.get(*sale).map_or(SaleId::from_raw(1), |s| s.0);
                let void = VoidSale { sale, reason: String::new(), who: String::new() };
                self.said(void, |()| String::new()).await
            }
            Step::Pay { debt, amount } => {
                let tender = self.debts.get(*debt).copied().unwrap_or(TenderId::from_raw(1));
                let pay = Pay {
                    tender,
                    kind: TenderKind::Card,
                    amount: usd(*amount),
                    certificate: None,
                    who: String::new(),
                };
                self.said(pay, |paid| format!("left {}", paid.left.minor())).await
            }
            Step::Zone { tokyo } => self.set("zone", if *tokyo { "Asia/Tokyo" } else { "UTC" }).await,
            Step::Rounding { step } => self.set("cash_rounding", &format!("{step} up")).await,
            Step::Tell { luck } => {
                self.online.tell(&self.shop, *luck).await;
                Ok(String::new())
            }
            Step::Order(_) | Step::MoneyBack { .. } if model.said == orders::SKIPPED => {
                Ok(orders::SKIPPED.to_owned())
            }
            Step::Order(state) => orders::take(&self.shop, model, state).await,
            Step::MoneyBack { order, number, amount } => {
                orders::money_back(&self.shop, *order, *number, *amount).await
            }
            Step::EndOrderHold { order } => orders::end_hold(&self.shop, *order).await,
            Step::Repeat { which, .. } if model.is_forgotten(*which) => Ok(String::new()),
            Step::Repeat { which, same_body } => self.repeat(*which, *same_body).await,
        }
    }

    async fn set(&self, key: &str, value: &str) -> Said {
        self.said(SetShop { key: key.to_owned(), value: value.to_owned(), who: "owner".to_owned() }, |()| {
            String::new()
        })
        .await
    }

    async fn said<C: Command>(&self, command: C, tell: impl FnOnce(C::Answer) -> String) -> Said {
        self.done(None, &command).await.map(|(answer, _)| tell(answer))
    }

    /// The answer, and whether it is a repeated one.
    async fn done<C: Command>(&self, key: Option<&Key>, command: &C) -> Result<(C::Answer, bool), Rejection> {
        match self.shop.ledger.execute(key, command).await {
            Ok(done) => Ok((done.answer, done.replayed)),
            Err(CommandError::Rejected(rejection)) => Err(*rejection),
            Err(failure) => panic!("on {:?}: {}", self.shop.engine, in_full(&failure)),
        }
    }

    async fn add(
        &self,
        model: &Model,
        kind: ItemKind,
        stock_units: i64,
        cost: Option<i64>,
        gtin: bool,
    ) -> Said {
        // The model has the new item already, unless it was refused.
        let refused = model.said.starts_with("refused");
        let place = if refused { model.items.len() } else { model.items.len() - 1 };
        let price = 500 + 333 * i64::try_from(place).unwrap();
        let value =
            if kind == ItemKind::Weight { Decimal::new(stock_units, 3) } else { Decimal::from(stock_units) };
        let new = with(item(kind, &sku(place)), |i| {
            i.pricing.price = Some(usd(price));
            i.pricing.cost = cost.map(usd);
            i.stock.quantity = Some(Asked { value, unit: None });
            i.stock.stock_unit = (kind == ItemKind::Weight).then_some(WeightUnit::Ounce);
            // 952 is GS1's prefix for demonstrations (gs1.org, list of company prefixes).
            i.gtin = gtin.then(|| Gtin::parse("9521234543213").unwrap());
        });
        let (outcomes, _) = self.done(None, &add(vec![new])).await?;
        match outcomes.into_iter().next().unwrap() {
            RowOutcome::Refused(rejection) => Err(rejection),
            RowOutcome::Added(_) => Ok(String::new()),
            other => panic!("{other:?}"),
        }
    }

    async fn adjust(&self, model: &Model, item: usize, what: &What) -> Said {
        use ledger::shelf::Counted::{Is, Less, More};
        let asked = |stock_units: i64| asked_of(model, item, stock_units);
        let what = match what {
            What::Is(stock_units) => Is(asked(*stock_units)),
            What::More(stock_units) => More(asked(*stock_units)),
            What::Less(stock_units, why) => Less(asked(*stock_units), *why),
        };
        self.said(adjust(&sku(item), what), |left| format!("on hand {}", left.stock_units())).await
    }

    async fn hold(&mut self, model: &Model, lines: &[(usize, i64)], purpose: Purpose) -> Said {
        let until = (purpose == Purpose::Market)
            .then(|| Moment::from_millis(model.now).plus_millis(crate::harness::HOUR_MS));
        let mut new = hold(&[], purpose, until);
        new.lines = lines
            .iter()
            .map(|(item, stock_units)| ledger::shelf::HoldLine {
                code: code(&sku(*item)),
                quantity: asked_of(model, *item, *stock_units),
            })
            .collect();
        let (held, _) = self.done(None, &new).await?;
        self.groups.push(held.id);
        Ok(String::new())
    }

    async fn sell(&mut self, model: &Model, sell: &Sell) -> Said {
        let command = self.sale_of(model, sell);
        self.sells += 1;
        let key = key_of(self.sells, b"body");
        let ended = self.done(Some(&key), &command).await;
        if ended.as_ref().err().is_none_or(Rejection::is_kept) {
            self.kept.push((self.sells, command));
        }
        let (sold, replayed) = ended?;
        assert!(!replayed);
        self.receipts.push(sold.receipt);
        self.sales.push((sold.id, sold.lines.iter().map(|l| l.id).collect()));
        let view = self.shop.ledger.sale(sold.id).await.unwrap();
        self.debts.extend(view.tenders.iter().filter(|t| t.still_owed.is_some()).map(|t| t.id));
        Ok(self.told(&sold))
    }

    /// Which sale at the counter has the receipt; 0: none.
    fn place_of(&self, receipt: i64) -> usize {
        self.receipts.iter().position(|r| *r == receipt).map_or(0, |at| at + 1)
    }

    fn told(&self, sold: &ledger::sales::SaleDone) -> String {
        let t = &sold.totals;
        let [due, rounding, change, off] = [t.due, t.rounding, t.change, t.discounts].map(Money::minor);
        let place = self.place_of(sold.receipt);
        format!("receipt {place} due {due} rounding {rounding} change {change} off {off}")
    }

    fn sale_of(&self, model: &Model, sell: &Sell) -> NewSale {
        let mut lines = Vec::new();
        for (at, (item, stock_units)) in sell.lines.iter().enumerate() {
            let (discount, tax) = if at == 0 { (sell.discount, sell.tax) } else { (0, 0) };
            let slip = at == 0 && sell.slip;
            lines.push(ledger::sales::SaleLineIn::Goods {
                code: code(if slip { "2000000000016".to_owned() } else { sku(*item) }.as_str()),
                quantity: asked_of(model, *item, *stock_units),
                discount: usd(discount),
                tax: usd(tax),
            });
        }
        if let Some(amount) = sell.paper {
            let (kind, title) = (domain::basket::LineKind::GiftCertificate, "Gift note".to_owned());
            // A key that is sent twice has the same sale, and so the same number.
            let certificate = Some(certificate(self.sells.try_into().unwrap()));
            lines.push(ledger::sales::SaleLineIn::Paper { kind, title, amount: usd(amount), certificate });
        }
        NewSale {
            channel: channel(if sell.market { "market" } else { "store" }),
            discount: usd(sell.order_discount),
            shipping: usd(sell.shipping),
            hold: sell.hold.map(|group| self.groups[group]),
            at: Some(Moment::from_millis(model.now - sell.hours_ago * crate::harness::HOUR_MS)),
            ..sale(lines, tenders(model, sell))
        }
    }

    async fn refund(
        &mut self,
        model: &Model,
        at: usize,
        what: &Back,
        fate: ReturnDisposition,
        by: By,
    ) -> Said {
        let (id, lines) = self.sales.get(at).cloned().unwrap_or((SaleId::from_raw(1), vec![]));
        let new = match what {
            Back::Whole => whole(id, fate),
            Back::Shipping(amount) => NewRefund { shipping: usd(*amount), ..whole(id, fate) },
            Back::Line(line, stock_units) => {
                let id_of = lines.get(*line).copied().unwrap_or(SaleLineId::from_raw(1));
                let mut new = part(id, id_of, None, fate);
                let weighed = model.sales.get(at).and_then(|s| s.lines.get(*line)).map(|l| l.kind);
                new.lines[0].what =
                    stock_units.map_or(RefundOf::Rest, |s| RefundOf::Goods(asked_in(weighed, s)));
                new
            }
            Back::Money(line, amount) => {
                let id_of = lines.get(*line).copied().unwrap_or(SaleLineId::from_raw(1));
                let mut new = part(id, id_of, None, ReturnDisposition::Open);
                new.lines[0].what = RefundOf::Money(usd(*amount));
                new
            }
        };
        let tender = match by {
            By::Cash | By::Both => TenderKind::Cash,
            By::Card => TenderKind::Card,
            By::Owed => TenderKind::OnAccount,
        };
        let new = NewRefund { tender: RefundTender::All(tender), ..new };
        let (done, _) = self.done(None, &new).await?;
        self.refund_lines.extend(done.lines.iter().map(|l| l.0));
        let (given, shipping) = (done.given.minor(), done.shipping.minor());
        Ok(format!("given {given} shipping {shipping} lines {}", done.lines.len()))
    }

    /// An earlier sale's key again: its first answer, or a refusal if the body differs.
    async fn repeat(&self, which: usize, same_body: bool) -> Said {
        let Some((number, command)) = self.kept.get(which) else { return Ok(String::new()) };
        let key = key_of(*number, if same_body { b"body" } else { b"other body" });
        let (sold, replayed) = self.done(Some(&key), command).await?;
        assert!(replayed);
        Ok(self.told(&sold))
    }

    async fn compare_shelf(&self, step: &Step, model: &Model) {
        let text = "SELECT CAST(on_hand * 1000000000 + held * 10000 + sold - put_back AS BIGINT) FROM item ORDER BY id";
        let found = self.shop.numbers(text).await;
        let told = |i: &super::model::Item| i.on_hand * 1_000_000_000 + i.held * 10_000 + i.out;
        let expected: Vec<i64> = model.items.iter().map(told).collect();
        assert_eq!(found, expected, "on {:?}: on hand, held and sold after {step:?}", self.shop.engine);
    }

    async fn books(&self) -> BTreeMap<(i64, bool), Figures> {
        let by = BooksBy { day: true, month: false, channel: true };
        let rows = self.shop.ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap();
        let mut days = BTreeMap::new();
        // Orders are counted separately, see `orders`.
        for row in rows.into_iter().filter(|row| row.channel != Some(channel("online"))) {
            let f = row.figures;
            let thousandth = WeightUnit::Ounce.eighth_nanograms_per_thousandth();
            let money = [f.gross, f.discounts, f.refunds, f.shipping, f.tax, f.cost].map(Money::minor);
            let [gross, discounts, refunds, shipping, tax, cost] = money;
            let weight = i64::try_from(f.weight / i128::from(thousandth)).unwrap();
            let figures = [
                f.sales,
                f.units,
                weight,
                gross,
                discounts,
                refunds,
                shipping,
                tax,
                cost,
                f.uncosted,
                f.rounding.minor(),
            ];
            let noon = Moment::parse_rfc3339(&format!("{}T12:00:00Z", row.day.unwrap())).unwrap();
            let day = noon.millis().div_euclid(crate::harness::DAY_MS);
            if figures != Figures::default() {
                days.insert((day, row.channel.unwrap().as_str() == "market"), figures);
            }
        }
        days
    }
}

fn key_of(number: usize, body: &[u8]) -> Key {
    Key::new("machine", &number.to_string(), body).unwrap()
}

fn asked_of(model: &Model, item: usize, stock_units: i64) -> Asked {
    asked_in(model.items.get(item).map(|i| i.kind), stock_units)
}

fn asked_in(kind: Option<ItemKind>, stock_units: i64) -> Asked {
    let value = if kind == Some(ItemKind::Weight) {
        Decimal::new(stock_units, 3)
    } else {
        Decimal::from(stock_units)
    };
    Asked { value, unit: None }
}

/// As the model would pay it: the total by its own arithmetic, whether the ledger agrees or not.
fn tenders(model: &Model, sell: &Sell) -> Vec<TenderIn> {
    let (cash_part, other) = model.tendered(sell, model.due(sell));
    match sell.by {
        By::Cash => cash(cash_part),
        By::Card => card(other),
        By::Owed => vec![crate::sales::owed(other)],
        By::Both => vec![tender(TenderKind::Card, other), tender(TenderKind::Cash, cash_part)],
    }
}
