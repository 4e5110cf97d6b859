//! What is wrong with the shop's settings.

use domain::basket::TenderKind;
use ledger::rejection::ShopReason;

pub(crate) fn words(reason: &ShopReason) -> String {
    match reason {
        ShopReason::IdempotencyKey { limit } => format!("a key has 1 to {limit} printable characters"),
        ShopReason::UnknownChannel { channel } => format!(
            "the shop has no channel {channel}; add it in Settings, or with `fleecefold shop set channel.{channel} \
             NAME`"
        ),
        ShopReason::FeeWithoutChannel { channel } => {
            format!("the shop has no channel {channel}; add it first, as channel.{channel}")
        }
        ShopReason::FeeInOldCurrency { channel, fee, currency, no_fee } => format!(
            "the fee of {channel}, {fee}, is in {currency}; set fee.{channel} to {no_fee} first, and add it again \
             afterward"
        ),
        ShopReason::OtherCurrency { given, own } => {
            format!("{given} is not the shop's currency; enter the amount in {own}")
        }
        ShopReason::Negative => "this may not be below 0".to_owned(),
        ShopReason::UnknownTender { code, known } => {
            format!("“{code}” is not a payment method; choose from {}", codes(known))
        }
        ShopReason::NoTender { known } => {
            format!("choose at least one payment method: {}", codes(known))
        }
        ShopReason::UnknownSetting { known } => {
            format!("there is no such setting; there are {}", known.join(", "))
        }
        ShopReason::NotAWebAddress => "enter an address that begins with https://".to_owned(),
        ShopReason::NotARounding => {
            "enter none, or the smallest coin in minor units and where a half goes, such as 5 up".to_owned()
        }
        ShopReason::CurrencyInUse { currency } => {
            format!("prices and sales are in {currency}, so the currency can no longer change")
        }
        ShopReason::AlreadySetUp => "this shop is already set up; sign in as its owner".to_owned(),
    }
}

fn codes(kinds: &[TenderKind]) -> String {
    kinds.iter().map(|kind| kind.code()).collect::<Vec<_>>().join(" ")
}
