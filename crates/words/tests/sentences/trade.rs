//! Rows of sales, refunds, orders and what is exchanged with an online shop.

use crate::{Row, owned, row, usd};
use domain::channel::Channel;
use domain::money::Currency;
use domain::order::{OrderNumber, OrderStatus};
use domain::weight::WeightUnit;
use ledger::rejection::{OnlineReason, OrdersReason, SalesReason};

fn cowl() -> String {
    owned("Moor cowl")
}

/// Drawer, certificates, the current sale and its payment.
pub(crate) fn sales() -> Vec<Row> {
    use SalesReason as R;
    vec![
        row(R::DrawerFull, &["drawer"]),
        row(R::DrawerOpen, &["open"]),
        row(R::DrawerClosed, &["closed"]),
        row(R::DrawerHolds { expected: usd(10_700) }, &["$107.00"]),
        row(R::NoAmount, &["amount"]),
        row(R::NotAPayment, &["payment"]),
        row(R::BalanceVoided, &["voided"]),
        row(R::OverBalance { balance: usd(2500), given: usd(2501) }, &["$25.00", "$25.01"]),
        row(R::CertificateOfNothing, &["gift certificate"]),
        row(R::CertificateDiscounted, &["gift certificate"]),
        row(R::CertificateInDiscount, &["gift certificate", "goods"]),
        row(R::CertificateQuantity, &["gift certificate"]),
        row(R::CertificateUnnumbered, &["number", "add it again"]),
        row(R::CertificateNeeded, &["enter the number"]),
        row(R::CertificateNotUsed, &["gift certificate"]),
        row(R::CertificateEmpty, &["nothing is left"]),
        row(R::CertificateUnknown { last_four: owned("RG48") }, &["RG48"]),
        row(
            R::CertificateShort { last_four: owned("RG48"), left: usd(1200), asked: usd(1500) },
            &["RG48", "$12.00", "$15.00"],
        ),
        row(R::CertificateSpent { left: usd(100), asked: usd(2500) }, &["$1.00", "$25.00"]),
        row(R::CertificateChanged { now: usd(100), shown: usd(2500) }, &["$1.00", "$25.00"]),
        row(R::CertificateForAnother { sold: usd(2500) }, &["$25.00"]),
        row(R::DepositForNothing, &["hold or a custom order"]),
        row(R::DepositNeedsCustomer, &["customer"]),
        row(R::DepositOfAnother, &["another customer"]),
        row(R::DepositForEnded, &["has ended"]),
        row(R::DepositNeeded, &["choose the deposit"]),
        row(R::DepositNotUsed, &["payment by deposit"]),
        row(R::DepositForOther, &["refund the deposit"]),
        row(R::DepositShort { left: usd(1200), asked: usd(1500) }, &["$12.00", "$15.00"]),
        row(R::DepositSpent { left: usd(100), asked: usd(2500) }, &["$1.00", "$25.00"]),
        row(R::DepositChanged { now: usd(100), shown: usd(2500) }, &["$1.00", "$25.00"]),
        row(R::DepositEmpty, &["nothing is left"]),
        row(R::DepositForAnother { sold: usd(2500) }, &["$25.00"]),
        row(R::DepositFirst { part: usd(2500) }, &["$25.00"]),
        row(R::DepositReturned { paid: usd(1200), asked: usd(1500) }, &["$12.00", "$15.00"]),
        row(R::OrderNotOpen, &["custom order"]),
        row(R::OrderNotMade, &["make it first"]),
        row(R::OrderEnded, &["collected or canceled"]),
        row(R::OrderOfNothing, &["style", "note"]),
        row(R::OrderDueInPast, &["due date"]),
        row(R::WeightMissing { title: cowl(), unit: WeightUnit::Ounce }, &["Moor cowl", "oz"]),
        row(R::AlreadyInSale { title: cowl(), sku: owned("p1") }, &["Moor cowl", "p1"]),
        row(R::PieceTwice { title: cowl(), sku: owned("p1") }, &["Moor cowl", "p1", "two lines"]),
        row(R::LineWithoutItem, &["line"]),
        row(R::NothingToPay, &["pay"]),
        row(R::NothingToHold, &["hold"]),
        row(R::ExchangeNotHeld, &["exchange", "held"]),
        row(R::NotPaying, &["pays"]),
        row(R::NothingToUndo, &["undo"]),
        row(R::BeingPaid, &["paid"]),
        row(R::TotalChanged { now: usd(4586), shown: usd(4585) }, &["$45.86", "$45.85"]),
        row(R::LeftChanged { now: usd(700), shown: usd(4800) }, &["$7.00 is left", "$48.00"]),
        row(R::LeftChanged { now: usd(-700), shown: usd(4100) }, &["$7.00 is to be paid back", "$41.00"]),
        row(R::NothingLeftToPay, &["nothing is left"]),
        row(R::AlreadyPaid { taken: usd(2000) }, &["$20.00"]),
        row(R::Discarded, &["discarded"]),
        row(R::Completed, &["complete"]),
        row(R::HoldOfAnother, &["hold"]),
        row(R::HoldDiffers, &["hold"]),
        row(R::AccountIncomplete, &["customer", "due date"]),
        row(R::DueWithoutAccount, &["due date"]),
        row(R::Unbalanced, &["payments"]),
    ]
}

pub(crate) fn refunds() -> Vec<Row> {
    use SalesReason as R;
    vec![
        row(R::RefundOverBalance, &["open balance"]),
        row(R::NoDisposition, &["shelf", "written-off"]),
        row(R::MoneyAlone, &["money"]),
        row(R::MoneyAloneOf { title: cowl() }, &["Moor cowl", "money"]),
        row(R::DispositionDecided, &["already"]),
        row(R::NotStock { title: cowl() }, &["Moor cowl"]),
        row(R::BalanceFirst { balance: usd(2009), part: usd(1003) }, &["$20.09", "$10.03"]),
        row(R::RefundUnbalanced { total: usd(6331), given: usd(6329) }, &["$63.31", "$63.29"]),
        row(R::AllRefunded, &["refunded"]),
        row(R::SaleVoided, &["voided"]),
        row(R::NegativeShipping, &["shipping"]),
        row(R::LineTwice { title: cowl() }, &["Moor cowl", "two lines"]),
    ]
}

pub(crate) fn online() -> Vec<Row> {
    use OnlineReason as R;
    let village = || owned("village");
    vec![
        row(R::TooManyLayouts { limit: 200 }, &["200"]),
        row(R::OrderTooLong { number: owned("H-1"), limit: 4096 }, &["H-1", "4096"]),
        row(R::TooManyDeferred { limit: 10_000 }, &["10000"]),
        row(R::TooManyAtOnce { limit: 50 }, &["50"]),
        row(R::SinceInFuture, &["future"]),
        row(R::ConnectionName { limit: 40 }, &["40", "village"]),
        row(R::ReservedName { name: owned("feed") }, &["feed"]),
        row(R::TextTooLarge { limit: 65_536 }, &["65536"]),
        row(
            R::OrdersTaken { connection: village(), channel: Channel::online() },
            &["village", "online", "[orders]"],
        ),
        row(R::TooManyConnections { limit: 20 }, &["20"]),
        row(R::NoOrders { connection: village() }, &["village", "[orders]"]),
        row(R::NoItemHere { sku: owned("x9") }, &["x9"]),
        row(R::NotAnId { limit: 200 }, &["1 to 200"]),
        row(R::IdNotInAddress { id: owned("..") }, &["“..”"]),
        row(R::IdTaken { id: owned("77"), sku: owned("p1") }, &["77", "p1"]),
    ]
}

pub(crate) fn orders() -> Vec<Row> {
    use OrdersReason as R;
    let number = || OrderNumber::parse("H-1").expect("a number");
    let decided = |who: &str| R::LineDecided { title: cowl(), choice: owned("refunded"), who: owned(who) };
    vec![
        row(R::MoneyChanged { title: cowl() }, &["Moor cowl"]),
        row(
            R::SubstituteChanged { title: cowl(), substitute: owned("Ridge hat") },
            &["Moor cowl", "Ridge hat"],
        ),
        row(R::NothingSold { number: number() }, &["H-1"]),
        row(R::NotInOrder { goods: owned("p1") }, &["p1"]),
        row(R::PastOrder, &["past order"]),
        row(R::InStock { title: cowl(), sku: owned("p1") }, &["Moor cowl", "p1"]),
        row(
            R::StatusKnown { number: number(), status: OrderStatus::OrderDelivered },
            &["H-1", "OrderDelivered"],
        ),
        row(R::UnknownStatus, &["OrderCancelled", "layout"]),
        row(R::OfAnotherChannel { number: number(), channel: Channel::store() }, &["H-1", "store"]),
        row(R::NotPaid { number: number() }, &["H-1"]),
        row(R::Closed { number: number() }, &["H-1"]),
        row(R::LineSettled { title: cowl(), state: owned("undone") }, &["Moor cowl", "canceled"]),
        row(decided("Maud"), &["Moor cowl", "refunded", "by Maud"]),
        row(decided(""), &["Moor cowl", "already refunded; nothing changed"]),
        row(R::NotASubstitute { title: cowl() }, &["Moor cowl"]),
        row(R::OtherUnit { title: cowl(), ordered: owned("Grey yarn") }, &["Moor cowl", "Grey yarn"]),
        row(R::LineHolds, &["hold"]),
        row(R::NegativeMoney, &["shipping", "fee"]),
        row(R::NegativePrice, &["price"]),
        row(R::OtherCurrency { own: Currency::USD }, &["USD"]),
        row(R::NoLines, &["line"]),
        row(R::UnknownOrder { number: number() }, &["H-1"]),
        row(R::NoCode, &["sku", "gtin13"]),
    ]
}
