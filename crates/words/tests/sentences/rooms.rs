//! Rows of the shop, its people, its books and its shelf.

use crate::{Row, owned, pieces, row};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::{Day, Month};
use domain::money::Currency;
use domain::pricing::PriceError;
use domain::stock::ItemKind;
use ledger::rejection::{BooksReason, CustomersReason, NotPriced, PeopleReason, ShelfReason, ShopReason};

fn fair() -> Channel {
    Channel::parse("fair").expect("a channel")
}

pub(crate) fn shop() -> Vec<Row> {
    use ShopReason as R;
    let euro = || Currency::from_code("EUR").expect("a currency");
    let known = || vec![TenderKind::Cash, TenderKind::Card];
    let fee = R::FeeInOldCurrency {
        channel: fair(),
        fee: owned("3% + 0.25"),
        currency: euro(),
        no_fee: owned("none"),
    };
    vec![
        row(R::IdempotencyKey { limit: 64 }, &["64"]),
        row(R::UnknownChannel { channel: fair() }, &["fair", "fleecefold shop set channel.fair"]),
        row(R::FeeWithoutChannel { channel: fair() }, &["channel.fair"]),
        row(fee, &["fair", "3% + 0.25", "EUR", "none"]),
        row(R::OtherCurrency { given: euro(), own: Currency::USD }, &["EUR", "USD"]),
        row(R::Negative, &["0"]),
        row(R::UnknownTender { code: owned("barter"), known: known() }, &["barter", "cash card"]),
        row(R::NoTender { known: known() }, &["cash card"]),
        row(R::UnknownSetting { known: vec![owned("name"), owned("zone")] }, &["name, zone"]),
        row(R::NotAWebAddress, &["https://"]),
        row(R::NotARounding, &["none", "5 up"]),
        row(R::CurrencyInUse { currency: euro() }, &["EUR"]),
        row(R::AlreadySetUp, &["sign in"]),
    ]
}

pub(crate) fn people() -> Vec<Row> {
    use PeopleReason as R;
    let name = || owned("Maud");
    vec![
        row(R::FirstIsOwner, &["owner"]),
        row(R::LastOwner, &["owner"]),
        row(R::PersonExists { name: name() }, &["person", "Maud"]),
        row(R::DeviceExists { name: name() }, &["device", "Maud"]),
        row(R::TokenExists { name: name() }, &["token", "Maud"]),
        row(R::NameOfToken { name: name() }, &["token", "Maud"]),
        row(R::NameOfPerson { name: name() }, &["person", "Maud"]),
        row(R::NameReserved { name: name() }, &["Maud"]),
        row(R::WrongCode, &["code"]),
        row(R::SecondFactorOn, &["two-step", "off"]),
        row(R::SecondFactorKeyExpired, &["key"]),
        row(R::SecondFactorNotOn { name: name() }, &["two-step", "Maud"]),
        row(R::SecondFactorFirst, &["two-step"]),
        row(R::TokenEndsInPast, &["token"]),
        row(R::LimitedToken, &["limits"]),
        row(R::OwnerHasNoLimits, &["owner"]),
        row(R::ApprovesOwn, &["yourself", "rights"]),
        row(R::ApproverLimited { name: name() }, &["Maud", "rights"]),
        row(R::NotAHash, &["password"]),
    ]
}

pub(crate) fn customers() -> Vec<Row> {
    use CustomersReason as R;
    vec![
        row(R::NotThere, &["customer"]),
        row(R::EmailTaken { name: owned("Ada Moss") }, &["Ada Moss"]),
        row(R::TooManyWords { limit: 8 }, &["8 words"]),
        row(R::OwesMoney { owed: crate::usd(1250) }, &["$12.50"]),
        row(R::HasHolds, &["hold"]),
        row(R::HasCustomOrder, &["custom order", "cancel"]),
        row(R::HasDeposit { left: crate::usd(1250) }, &["$12.50", "refund it"]),
        row(R::OrderWaits { number: owned("A-7") }, &["A-7"]),
        row(R::NotOrderDays { least: 7, most: 3650 }, &["7", "3650"]),
    ]
}

pub(crate) fn books() -> Vec<Row> {
    let day = Day::parse("2026-05-17").expect("a day");
    let month = |text| Month::parse(text).expect("a month");
    vec![
        row(BooksReason::DayFull { channel: fair(), day }, &["fair", "May 17, 2026"]),
        row(
            BooksReason::MonthsReversed { from: month("2026-05"), to: month("2026-04") },
            &["April 2026", "May 2026"],
        ),
    ]
}

/// Items and styles.
pub(crate) fn shelf() -> Vec<Row> {
    use ShelfReason as R;
    let (sku, name) = (|| owned("h1"), || owned("Ridge hat"));
    let error = NotPriced::Rule(PriceError::Nothing);
    vec![
        row(R::TooManyWords { limit: 8 }, &["8"]),
        row(R::FileInUse, &["file"]),
        row(R::TooManyPieces { limit: 100 }, &["100"]),
        row(R::NoOverrideReason, &["reason"]),
        row(R::NoCorrectionReason, &["reason"]),
        row(R::NoRemovalReason, &["wrong"]),
        row(R::RemovesPiecesOnly, &["piece"]),
        row(R::RemovesUnsoldOnly, &["sold"]),
        row(R::RemovedBefore { sku: sku() }, &["h1", "removed"]),
        row(R::RemovesUnorderedOnly { order: owned("W-7") }, &["W-7"]),
        row(R::WorkOutOfRange { limit: 999 }, &["1 to 999"]),
        row(R::TooManyPhotographs { limit: 6 }, &["6"]),
        row(R::PhotographMissing, &["photograph"]),
        row(R::NotAPhotograph, &["photograph"]),
        row(R::TooManyPictures { limit: 7 }, &["7"]),
        row(R::UnknownStyle { name: name() }, &["Ridge hat"]),
        row(R::StockUnitMissing, &["unit"]),
        row(R::OtherKind { sku: sku(), kind: ItemKind::Weight }, &["h1", "goods by weight"]),
        row(R::NumbersTaken, &["numbers"]),
        row(R::ReceiptCode, &["receipt", "SKU"]),
        row(R::StockDiffers { sku: sku(), on_hand: pieces(3), given: pieces(4) }, &["h1", "3", "4"]),
        row(R::OtherGtin { sku: sku(), gtin: owned("96385074") }, &["h1", "96385074"]),
        row(R::PreviewOutdated, &["Preview"]),
        row(R::NoPriceByRule { sku: sku(), error }, &["h1", "comes to 0"]),
        row(R::TooManyItems { limit: 500 }, &["500"]),
        row(R::PriceNotPositive, &["price"]),
        row(R::NoPrice, &["price"]),
        row(R::SizeHoldsBar, &["|"]),
        row(R::StyleExists { name: name() }, &["Ridge hat"]),
        row(R::TextCount { limit: 50 }, &["50"]),
        row(R::TagCount { limit: 70 }, &["70"]),
        row(R::TextChanged { title: name() }, &["Ridge hat"]),
    ]
}

/// Stock, holds and counts.
pub(crate) fn stock() -> Vec<Row> {
    use ShelfReason as R;
    vec![
        row(R::OnlyOne, &["one"]),
        row(R::OnlyOneUseCounted, &["counted goods"]),
        row(R::NotALoss, &["damage", "gift", "own-use"]),
        row(R::CountInProgress, &["stock count"]),
        row(R::CountOver { state: owned("dropped") }, &["canceled"]),
        row(R::CountTooLarge, &["more than"]),
        row(R::WeightMissing, &["weight"]),
        row(R::HoldOfOtherItem, &["hold"]),
        row(R::HoldBeingPaid, &["paid"]),
        row(R::HoldOfOrder, &["order"]),
        row(R::HoldLines { limit: 200 }, &["1 to 200"]),
        row(R::HoldEndsInPast, &["later"]),
        row(R::HoldTooLong, &["year"]),
    ]
}
