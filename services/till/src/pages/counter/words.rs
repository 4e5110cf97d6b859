//! The counter's sentences: who has a piece, since when, and what can be done.

use crate::app::App;
use crate::pages::approval::Ask;
use crate::pages::form::Faults;
use crate::pages::shown::{channel_name, listed, tender_name};
use crate::problem::of_page;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::Moment;
use domain::limits::LimitName;
use ledger::sales::BasketView;
use ledger::{Rejection, Shop, SoldAs};

const SECOND_MS: i64 = 1000;
const MINUTE_MS: i64 = 60 * SECOND_MS;
const HOUR_MS: i64 = 60 * MINUTE_MS;
const DAY_MS: i64 = 24 * HOUR_MS;

/// How long ago, or the date if it is more than a day.
pub(crate) fn ago(shop: &Shop, at: Moment, now: Moment) -> String {
    let past = now.millis() - at.millis();
    let of = |unit: i64, name: &str| {
        let count = past / unit;
        format!("{count} {name}{} ago", if count == 1 { "" } else { "s" })
    };
    match past {
        ..0 => "just now".to_owned(),
        0..MINUTE_MS => of(SECOND_MS, "second"),
        MINUTE_MS..HOUR_MS => of(MINUTE_MS, "minute"),
        HOUR_MS..DAY_MS => of(HOUR_MS, "hour"),
        _ => format!("on {}", shop.zone.shown(at)),
    }
}

fn sold(shop: &Shop, sold: &SoldAs, now: Moment) -> String {
    let place = match (sold.channel.as_str(), Channel::parse(&sold.channel)) {
        ("online", _) => "online".to_owned(),
        (_, Ok(code)) => format!("at {}", channel_name(shop, &code)),
        (other, Err(_)) => format!("on {other}"),
    };
    let by = match (&sold.order, sold.receipt) {
        (Some(order), _) => format!(", order {order}"),
        (None, Some(receipt)) => format!(", receipt {receipt}"),
        (None, None) => String::new(),
    };
    format!("{place} {}{by}. Not charged.", ago(shop, sold.at.at, now))
}

/// Why a line is not available, for display below its name.
pub(crate) fn gone(shop: &Shop, rejection: &Rejection, now: Moment) -> String {
    match rejection {
        Rejection::AlreadySold { sold: by, .. } => format!("Sold {}", sold(shop, by, now)),
        Rejection::OnHold { for_whom, until, .. } => {
            let until = until.as_ref().map(|until| format!(" {}", until.until())).unwrap_or_default();
            format!("On hold for {}{until}. Not charged.", ::words::held_for(for_whom))
        }
        Rejection::Gone { why, .. } => format!("No longer in stock: {}. Not charged.", ::words::gone(*why)),
        Rejection::NotEnough { asked, free, .. } => {
            format!("{asked} requested, {free} available. Not charged.")
        }
        other => format!("{}. Not charged.", ::words::rejection(other)),
    }
}

/// Why a form of the counter is shown again.
pub(crate) enum Wrong {
    /// The shop's state refuses it, or a limit does; then somebody else may approve it.
    Refused(Rejection, Option<Box<Ask>>),
    /// It cannot be read.
    Typed(Faults),
}

impl From<Rejection> for Wrong {
    fn from(rejection: Rejection) -> Self {
        Self::Refused(rejection, None)
    }
}

impl From<Faults> for Wrong {
    fn from(faults: Faults) -> Self {
        Self::Typed(faults)
    }
}

impl Wrong {
    /// For the page.
    pub(crate) fn faults(self, app: &App) -> Faults {
        match self {
            Self::Refused(rejection, ask) => {
                faults(&app.ledger.shop(), &rejection, app.ledger.now()).with_ask(ask)
            }
            Self::Typed(faults) => faults,
        }
    }
}

/// A rejection, at its field or at the head of the page.
fn faults(shop: &Shop, rejection: &Rejection, now: Moment) -> Faults {
    match rejection {
        // The page has one payment, whose fields the ledger names as those of a sale's.
        Rejection::Invalid { field, reason } => {
            Faults::one(field.strip_prefix("tenders.").unwrap_or(field), ::words::reason(reason))
        }
        Rejection::UnknownCode { .. } | Rejection::WrongDigit { .. } => {
            Faults::one("code", ::words::rejection(rejection))
        }
        Rejection::AlreadySold { title, .. }
        | Rejection::OnHold { title, .. }
        | Rejection::Gone { title, .. }
        | Rejection::NotEnough { title, .. } => {
            Faults::one("", format!("{title}: {}", gone(shop, rejection, now)))
        }
        Rejection::Stale { .. } => {
            Faults::one("", "This sale was changed somewhere else. Check it below and try again.")
        }
        Rejection::AboveLimit(above) if above.limit == LimitName::Channels => {
            let name = |code: &str| match Channel::parse(code) {
                Ok(channel) => channel_name(shop, &channel),
                Err(_) => code.to_owned(),
            };
            let allowed = listed(above.allowed.split(", ").map(name));
            Faults::one(
                "",
                format!(
                    "you can sell only at {allowed}, not at {}. Ask someone with more rights to do it",
                    name(&above.asked)
                ),
            )
        }
        other => Faults::one("", of_page(other).unwrap_or_else(|| ::words::rejection(other))),
    }
}

/// The shop's tenders at the counter, as codes and in words, in the order of its settings.
pub(crate) fn ways(shop: &Shop) -> Vec<(&'static str, &'static str)> {
    shop.tenders.iter().map(|kind| (kind.code(), tender_name(*kind))).collect()
}

/// The same for a sale whose customer has a deposit for it, which comes first.
pub(crate) fn ways_of(shop: &Shop, view: &BasketView) -> Vec<(&'static str, &'static str)> {
    let deposit = (!view.deposits.is_empty()).then_some(TenderKind::Deposit);
    deposit.map(|kind| (kind.code(), tender_name(kind))).into_iter().chain(ways(shop)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;
    use domain::day::ShopTime;

    #[tokio::test]
    async fn how_long_ago_is_said_in_words() {
        let shop = TestShop::open().await.ledger().shop();
        let now = Moment::from_millis(1_779_019_200_000);
        let check = |past: i64, expected: &str| {
            assert_eq!(ago(&shop, now.plus_millis(-past), now), expected, "{past}");
        };
        check(-5, "just now");
        check(0, "0 seconds ago");
        check(1999, "1 second ago");
        check(12_000, "12 seconds ago");
        check(MINUTE_MS, "1 minute ago");
        check(59 * MINUTE_MS, "59 minutes ago");
        check(3 * HOUR_MS, "3 hours ago");
        check(DAY_MS, "on May 16, 2026, 12:00 PM");
    }

    #[tokio::test]
    async fn who_has_a_piece_is_said_in_words() {
        let shop = TestShop::open().await.ledger().shop();
        let now = Moment::from_millis(1_779_019_200_000);
        let by = |channel: &str, order: Option<&str>| SoldAs {
            channel: channel.to_owned(),
            at: ShopTime { at: now.plus_millis(-12_000), zone: shop.zone.clone() },
            receipt: Some(7),
            order: order.map(str::to_owned),
        };
        let sold = |by| Rejection::AlreadySold {
            code: "COWL".to_owned(),
            title: "Moor cowl".to_owned(),
            sold: Box::new(by),
        };
        let check = |rejection: Rejection, expected: &str| assert_eq!(gone(&shop, &rejection, now), expected);
        check(sold(by("online", Some("H-1182"))), "Sold online 12 seconds ago, order H-1182. Not charged.");
        check(sold(by("store", None)), "Sold at Farm store 12 seconds ago, receipt 7. Not charged.");
    }
}
