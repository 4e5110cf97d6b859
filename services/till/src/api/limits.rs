//! What each role and each token may do within its permissions.

pub(crate) mod get;
pub(crate) mod roles;
pub(crate) mod tokens;

use crate::request::body::Body;
use domain::limits::{LimitName, Limits};
use serde::{Deserialize, Serialize};
use utoipa::ToSchema;

/// Limits with their written values; `none` is no limit.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct LimitsShown {
    /// The channels on which they may sell, separated by commas.
    #[schema(example = "store,market")]
    channels: String,
    /// The largest discount, in percent of a line.
    #[schema(example = "25")]
    discount: String,
    /// How many days back a sale may be dated.
    backdate_days: String,
    /// How many of their holds may be open at the same time.
    open_holds: String,
    /// How many days their holds may last; one without an end gets this.
    hold_days: String,
    /// yes or no: whether they may enter sales tax by hand.
    tax_by_hand: String,
    /// The most that they may refund or void of one sale.
    refund: String,
    /// yes or no: whether they may refund in another way than the sale was paid.
    refund_tender: String,
}

impl From<&Limits> for LimitsShown {
    fn from(limits: &Limits) -> Self {
        Self {
            channels: limits.written(LimitName::Channels),
            discount: limits.written(LimitName::Discount),
            backdate_days: limits.written(LimitName::BackdateDays),
            open_holds: limits.written(LimitName::OpenHolds),
            hold_days: limits.written(LimitName::HoldDays),
            tax_by_hand: limits.written(LimitName::TaxByHand),
            refund: limits.written(LimitName::Refund),
            refund_tender: limits.written(LimitName::RefundTender),
        }
    }
}

/// New limits. What is left out stays; `none` is no limit, `default` goes back to the default.
#[derive(Debug, Deserialize, ToSchema)]
#[serde(deny_unknown_fields, rename_all = "camelCase")]
pub(crate) struct LimitsText {
    channels: Option<String>,
    discount: Option<String>,
    backdate_days: Option<String>,
    open_holds: Option<String>,
    hold_days: Option<String>,
    tax_by_hand: Option<String>,
    refund: Option<String>,
    refund_tender: Option<String>,
}

impl Body for LimitsText {}

impl LimitsText {
    fn values(self) -> Vec<(LimitName, String)> {
        let all = [
            (LimitName::Channels, self.channels),
            (LimitName::Discount, self.discount),
            (LimitName::BackdateDays, self.backdate_days),
            (LimitName::OpenHolds, self.open_holds),
            (LimitName::HoldDays, self.hold_days),
            (LimitName::TaxByHand, self.tax_by_hand),
            (LimitName::Refund, self.refund),
            (LimitName::RefundTender, self.refund_tender),
        ];
        all.into_iter().filter_map(|(name, value)| value.map(|value| (name, value))).collect()
    }
}
