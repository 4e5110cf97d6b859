//! Money that the shop holds for somebody: what a gift certificate is worth. It is nobody's revenue until it is
//! spent.

/// Why the balance of a gift certificate changed.
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
}

impl AccountReason {
    /// All of them.
    pub const ALL: [Self; 7] = [
        Self::Sold,
        Self::Refund,
        Self::BroughtIn,
        Self::Spent,
        Self::Returned,
        Self::Voided,
        Self::WrittenOff,
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
        }
    }

    /// The reason with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|reason| reason.code() == code)
    }
}
