//! What is wrong with a sale, a payment, a refund or the cash drawer.

use domain::money::Money;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with selling.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SalesReason {
    /// More cash than a drawer holds.
    DrawerFull,
    /// The drawer is open.
    DrawerOpen,
    /// The drawer is closed.
    DrawerClosed,
    /// More cash taken out than there is.
    DrawerHolds {
        /// What there is.
        expected: Money,
    },
    /// No amount.
    NoAmount,
    /// What pays a balance is money, and more than nothing.
    NotAPayment,
    /// The balance is of a voided sale.
    BalanceVoided,
    /// More than the open balance.
    OverBalance {
        /// What is open.
        balance: Money,
        /// What was given.
        given: Money,
    },
    /// A refund would lower the open balance below nothing.
    RefundOverBalance,
    /// A gift certificate or deposit of nothing.
    CertificateOfNothing,
    /// A gift certificate or deposit with a discount of its own.
    CertificateDiscounted,
    /// A gift certificate or deposit within a discount of the whole sale.
    CertificateInDiscount,
    /// More than one of a gift certificate or deposit.
    CertificateQuantity,
    /// A gift certificate is sold without the number that it gets.
    CertificateUnnumbered,
    /// A payment by gift certificate does not say by which.
    CertificateNeeded,
    /// Another payment names a gift certificate.
    CertificateNotUsed,
    /// No gift certificate has this number.
    CertificateUnknown {
        /// The last digits of the number.
        last_four: String,
    },
    /// More than is left on the gift certificate.
    CertificateShort {
        /// The last digits of its number.
        last_four: String,
        /// What is left.
        left: Money,
        /// What was to be taken.
        asked: Money,
    },
    /// A gift certificate that is refunded was spent.
    CertificateSpent {
        /// What is left on it.
        left: Money,
        /// What was to be refunded.
        asked: Money,
    },
    /// The gift certificate is worth something else than the page showed.
    CertificateChanged {
        /// Now.
        now: Money,
        /// As it was shown.
        shown: Money,
    },
    /// A gift certificate pays for another one.
    CertificateForAnother {
        /// What the certificates in this sale come to.
        sold: Money,
    },
    /// Nothing is left on the gift certificate.
    CertificateEmpty,
    /// A deposit names no hold or custom order, or something else does.
    DepositForNothing,
    /// A deposit for a hold that is not a customer's.
    DepositNeedsCustomer,
    /// A deposit in a sale to somebody else.
    DepositOfAnother,
    /// What the deposit is for has ended.
    DepositForEnded,
    /// A payment by deposit does not say by which.
    DepositNeeded,
    /// Another payment names a deposit.
    DepositNotUsed,
    /// The sale has nothing that the deposit is for.
    DepositForOther,
    /// More than is left of the deposit.
    DepositShort {
        /// What is left.
        left: Money,
        /// What was to be taken.
        asked: Money,
    },
    /// A deposit that is refunded was spent, or forfeited.
    DepositSpent {
        /// What is left of it.
        left: Money,
        /// What was to be refunded.
        asked: Money,
    },
    /// Something else is left of the deposit than the page showed.
    DepositChanged {
        /// Now.
        now: Money,
        /// As it was shown.
        shown: Money,
    },
    /// Nothing is left of the deposit.
    DepositEmpty,
    /// A deposit pays for a gift certificate or another deposit.
    DepositForAnother {
        /// What those in this sale come to.
        sold: Money,
    },
    /// What the deposits paid of a sale goes back to them first.
    DepositFirst {
        /// So much of the refund.
        part: Money,
    },
    /// More than the deposits paid of the sale would go back to them.
    DepositReturned {
        /// What they paid and did not get back yet.
        paid: Money,
        /// What was to be given.
        asked: Money,
    },
    /// A custom order that is not to be made, or made already.
    OrderNotOpen,
    /// A custom order whose piece is not made.
    OrderNotMade,
    /// A custom order that has ended.
    OrderEnded,
    /// A custom order that says nothing of what is wanted.
    OrderOfNothing,
    /// A custom order for a day that has passed.
    OrderDueInPast,
    /// Goods by weight without their weight.
    WeightMissing {
        /// Which.
        title: String,
        /// In what it is weighed.
        unit: WeightUnit,
    },
    /// The only one is in this sale.
    AlreadyInSale {
        /// Which.
        title: String,
        /// Its sku.
        sku: String,
    },
    /// One piece on two lines.
    PieceTwice {
        /// Which.
        title: String,
        /// Its sku.
        sku: String,
    },
    /// A line whose item cannot be found.
    LineWithoutItem,
    /// A sale of nothing is not paid.
    NothingToPay,
    /// A sale of nothing is not put on hold.
    NothingToHold,
    /// A hold does not keep what is brought back.
    ExchangeNotHeld,
    /// A payment before its items are held.
    NotPaying,
    /// A change while the sale is paid.
    BeingPaid,
    /// The total is another than the one that was shown.
    TotalChanged {
        /// Now.
        now: Money,
        /// As it was shown.
        shown: Money,
    },
    /// Something else is left to pay than the page showed; below 0 it is to be paid back.
    LeftChanged {
        /// Now.
        now: Money,
        /// As it was shown.
        shown: Money,
    },
    /// Money was given although there is nothing left to pay.
    NothingLeftToPay,
    /// The sale has no change that can be undone.
    NothingToUndo,
    /// Money was taken, and is to be returned first.
    AlreadyPaid {
        /// How much.
        taken: Money,
    },
    /// The sale was discarded.
    Discarded,
    /// The sale was completed.
    Completed,
    /// The hold is not a customer's or a market's.
    HoldOfAnother,
    /// The hold is of other goods than the sale.
    HoldDiffers,
    /// On account without a customer or a due date.
    AccountIncomplete,
    /// A due date of what is paid now.
    DueWithoutAccount,
    /// The payments do not come to the sale.
    Unbalanced,
    /// Neither back in stock nor written off.
    NoDisposition,
    /// Goods back where money alone was refunded.
    MoneyAlone,
    /// Goods back where money alone is refunded.
    MoneyAloneOf {
        /// Of which line.
        title: String,
    },
    /// What became of the goods is decided.
    DispositionDecided,
    /// What is no stock item goes back to no stock.
    NotStock {
        /// Which.
        title: String,
    },
    /// The open balance is lowered before money is handed out.
    BalanceFirst {
        /// What is open.
        balance: Money,
        /// So much of the refund lowers it.
        part: Money,
    },
    /// The refund's payments do not come to it.
    RefundUnbalanced {
        /// The refund.
        total: Money,
        /// The payments.
        given: Money,
    },
    /// Nothing is left to refund.
    AllRefunded,
    /// Nothing of a voided sale is refunded.
    SaleVoided,
    /// Shipping below nothing.
    NegativeShipping,
    /// A line of the sale on two lines of the refund.
    LineTwice {
        /// Which.
        title: String,
    },
}
