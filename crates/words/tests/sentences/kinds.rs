//! Rows of whole refusals, and of what they are about.

use crate::{at, owned, pieces, usd};
use domain::limits::{AboveLimit, LimitName};
use domain::stock::StockReason;
use ledger::rejection::{Edited, HeldFor, NotVoidable, RefundOfWhat, Refundable, SalesReason, Thing};
use ledger::{Rejection, SoldAs};

type Row = (Rejection, &'static [&'static str]);

fn cowl() -> (String, String) {
    (owned("p1"), owned("Moor cowl"))
}

pub(crate) fn on_hold() -> Rejection {
    let (code, title) = cowl();
    Rejection::OnHold { code, title, for_whom: HeldFor::Name(owned("Ada")), until: Some(at()) }
}

pub(crate) fn refusals() -> Vec<Row> {
    [of_items(), of_orders(), of_the_rest()].concat()
}

fn of_items() -> Vec<Row> {
    let (code, title) = cowl();
    let sold = |receipt, order: Option<&str>| {
        let order = order.map(owned);
        let (code, title) = cowl();
        let sold = Box::new(SoldAs { channel: owned("store"), at: at(), receipt, order });
        Rejection::AlreadySold { code, title, sold }
    };
    let gone = |why| {
        let (code, title) = cowl();
        Rejection::Gone { code, title, why }
    };
    let held = |for_whom| {
        let (code, title) = cowl();
        Rejection::OnHold { code, title, for_whom, until: None }
    };
    vec![
        (Rejection::UnknownCode { code: code.clone() }, &["p1"]),
        (Rejection::WrongDigit { code: code.clone(), expected: 5 }, &["p1", "5"]),
        (Rejection::CodeTaken { code: code.clone(), title: title.clone() }, &["p1", "Moor cowl"]),
        (sold(Some(7), None), &["Moor cowl", "p1", "sold on May 17, 2026, 1:00 PM", "receipt 7"]),
        (sold(Some(7), Some("H-1")), &["Moor cowl", "order H-1"]),
        (sold(None, None), &["Moor cowl", "nothing was charged"]),
        (gone(Some(StockReason::Damage)), &["Moor cowl", "damaged"]),
        (gone(Some(StockReason::Gift)), &["Moor cowl", "given away"]),
        (gone(None), &["Moor cowl", "stock history"]),
        (on_hold(), &["Moor cowl", "Ada", "until May 17, 2026, 1:00 PM"]),
        (held(HeldFor::Customer), &["Moor cowl", "a customer"]),
        (held(HeldFor::Sale), &["Moor cowl", "a sale in progress"]),
        (held(HeldFor::Market), &["Moor cowl", "the market"]),
        (held(HeldFor::Order), &["Moor cowl", "an unpaid order"]),
        (
            Rejection::NotEnough { code, title, asked: pieces(3), free: pieces(2) },
            &["Moor cowl", "3 requested", "2 available"],
        ),
    ]
}

fn of_orders() -> Vec<Row> {
    let (channel, number) = (|| owned("online"), || owned("H-1"));
    vec![
        (Rejection::OrderDiffers { channel: channel(), number: number() }, &["H-1", "online"]),
        (
            Rejection::SameDateOtherContents { channel: channel(), number: number() },
            &["H-1", "online", "fetch"],
        ),
        (Rejection::RefundWaits { number: number(), refund: owned("R9") }, &["H-1", "R9"]),
        (Rejection::NumberUsedAgain { channel: channel(), number: number() }, &["H-1", "online"]),
    ]
}

fn of_the_rest() -> Vec<Row> {
    let more = |what, asked, left| Rejection::MoreThanSold { what, asked, left };
    let goods = |count| Refundable::Goods(pieces(count));
    let voids = |reason| Rejection::NotVoidable { id: owned("55"), reason };
    let stale = |what| Rejection::Stale { what, expected: 1, current: 2 };
    let above = AboveLimit { limit: LimitName::Discount, asked: owned("30"), allowed: owned("20") };
    let line = RefundOfWhat::Line(owned("Moor cowl"));
    vec![
        (Rejection::KeyReused, &["key"]),
        (Rejection::StillRunning, &["same key"]),
        (Rejection::no_such(Thing::Sale, 5), &["sale 5"]),
        (Rejection::HoldOver { id: owned("55"), state: owned("expired") }, &["55", "time ran out"]),
        (Rejection::HoldOver { id: owned("55"), state: owned("taken") }, &["55", "sold"]),
        (Rejection::HoldOver { id: owned("55"), state: owned("ended") }, &["55", "released"]),
        (Rejection::invalid("amount", SalesReason::NoAmount), &["amount: "]),
        (more(line, goods(3), goods(2)), &["Moor cowl", "3", "2"]),
        (
            more(RefundOfWhat::Shipping, Refundable::Money(usd(496)), Refundable::Money(usd(495))),
            &["shipping", "$4.96", "$4.95"],
        ),
        (more(RefundOfWhat::Order, goods(3), goods(2)), &["order"]),
        (voids(NotVoidable::Past), &["55", "another system"]),
        (voids(NotVoidable::OfOrder), &["55", "online"]),
        (voids(NotVoidable::NotToday), &["55", "refund"]),
        (voids(NotVoidable::Settled), &["55", "already voided"]),
        (voids(NotVoidable::CertificateSpent), &["55", "gift certificate"]),
        (voids(NotVoidable::DepositSpent), &["55", "deposit"]),
        (stale(Edited::CurrentSale), &["current sale"]),
        (stale(Edited::Item { code: owned("p1") }), &["item p1"]),
        (stale(Edited::Style { name: owned("Ridge hat") }), &["Ridge hat"]),
        (stale(Edited::Layout { name: owned("Fair") }), &["Fair"]),
        (Rejection::TooOften { seconds: 8 }, &["8 s"]),
        (Rejection::AboveLimit(above), &["30%", "20%"]),
    ]
}

pub(crate) fn things() -> Vec<Thing> {
    vec![
        Thing::Item,
        Thing::Style,
        Thing::Hold,
        Thing::StockCount,
        Thing::CurrentSale,
        Thing::Sale,
        Thing::Receipt,
        Thing::SaleLine,
        Thing::Refund,
        Thing::RefundLine,
        Thing::OpenBalance,
        Thing::Certificate,
        Thing::Deposit,
        Thing::CustomOrder,
        Thing::DrawerTurn,
        Thing::Order,
        Thing::LiveOrder,
        Thing::OrderLine,
        Thing::DeferredOrder,
        Thing::Connection,
        Thing::LiveConnection,
        Thing::Difference,
        Thing::Layout,
        Thing::Run,
        Thing::Customer,
        Thing::Person,
        Thing::Session,
        Thing::Device,
        Thing::Token,
    ]
}
