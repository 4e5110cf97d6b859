//! Money that the shop holds for somebody: what a gift certificate is worth, and what was paid toward something that
//! is not sold yet. It is nobody's revenue until it is spent.

use crate::ids::{CustomOrderId, HoldGroupId};
use serde::{Deserialize, Serialize};

/// For whom money is held.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AccountKind {
    /// Whoever knows the number.
    GiftCertificate,
    /// One customer, for one hold or custom order.
    Deposit,
}

impl AccountKind {
    /// The code in the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::GiftCertificate => "gift-certificate",
            Self::Deposit => "deposit",
        }
    }

    /// The kind with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        [Self::GiftCertificate, Self::Deposit].into_iter().find(|kind| kind.code() == code)
    }
}

/// What a deposit is for. It pays for nothing else.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DepositFor {
    /// What is on hold for a customer.
    Hold(HoldGroupId),
    /// A piece that is made to order.
    Order(CustomOrderId),
}

impl DepositFor {
    /// The hold, if it is for one.
    pub fn hold(self) -> Option<HoldGroupId> {
        match self {
            Self::Hold(hold) => Some(hold),
            Self::Order(_) => None,
        }
    }

    /// The custom order, if it is for one.
    pub fn order(self) -> Option<CustomOrderId> {
        match self {
            Self::Order(order) => Some(order),
            Self::Hold(_) => None,
        }
    }
}

/// Why the balance of an account changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AccountReason {
    /// It was sold.
    Sold,
    /// It was issued for, or got back, the money of a refund.
    Refund,
    /// It is from before the shop's books were kept here.
    BroughtIn,
    /// It paid for something.
    Spent,
    /// It was refunded itself.
    Returned,
    /// The sale that changed it was voided.
    Voided,
    /// It was ended, and what was left is no longer owed to anybody.
    WrittenOff,
    /// The customer lost a deposit: from that day it is the shop's other income.
    Forfeited,
}

impl AccountReason {
    /// All of them.
    pub const ALL: [Self; 8] = [
        Self::Sold,
        Self::Refund,
        Self::BroughtIn,
        Self::Spent,
        Self::Returned,
        Self::Voided,
        Self::WrittenOff,
        Self::Forfeited,
    ];

    /// The code in the database.
    pub fn code(self) -> &'static str {
        match self {
            Self::Sold => "sold",
            Self::Refund => "refund",
            Self::BroughtIn => "brought-in",
            Self::Spent => "spent",
            Self::Returned => "returned",
            Self::Voided => "voided",
            Self::WrittenOff => "written-off",
            Self::Forfeited => "forfeited",
        }
    }

    /// The reason with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|reason| reason.code() == code)
    }
}
