use super::*;
use domain::basket::BasketError;
use domain::channel::Channel;
use domain::day::{DayError, Moment, Zone};
use domain::money::{Currency, Money};
use domain::quantity::Measure;
use domain::text::TextError;

fn usd(cents: i64) -> Money {
    Money::from_minor(cents, Currency::USD).expect("within the limits")
}

fn pounds() -> ShopTime {
    let zone = Zone::from_name("Europe/London").expect("a zone");
    ShopTime { at: Moment::from_millis(1_779_019_200_000), zone }
}

/// One of each kind, and of each kind of reason those that hold the most.
fn samples() -> Vec<(Rejection, &'static str)> {
    let text = |text: &str| text.to_owned();
    let (code, title) = (text("p1"), text("Moor cowl"));
    let sold = SoldAs { channel: text("store"), at: pounds(), receipt: Some(7), order: None };
    let for_whom = HeldFor::Name(text("Ada"));
    let steps = |steps| Quantity::from_stock_units(steps, Measure::Units).expect("a quantity");
    let zone = pounds().zone;
    let future = DayError::TooFarAhead { when: pounds().at };
    let underpaid = BasketError::Underpaid { due: usd(500), tendered: usd(300), missing: usd(200) };
    let channel = Channel::parse("store").expect("a channel");
    let invalid = |reason: Reason| Rejection::invalid("field", reason);
    vec![
        (
            Rejection::AlreadySold { code: code.clone(), title: title.clone(), sold: Box::new(sold) },
            "already-sold",
        ),
        (
            Rejection::OnHold { code: code.clone(), title: title.clone(), for_whom, until: Some(pounds()) },
            "on-hold",
        ),
        (
            Rejection::Gone { code: code.clone(), title: title.clone(), why: Some(StockReason::Damage) },
            "gone",
        ),
        (Rejection::NotEnough { code, title, asked: steps(3), free: steps(2) }, "not-enough"),
        (Rejection::KeyReused, "key-reused"),
        (Rejection::no_such(Thing::OpenBalance, 5), "no-such"),
        (
            Rejection::MoreThanSold {
                what: RefundOfWhat::Shipping,
                asked: Refundable::Money(usd(5)),
                left: Refundable::Goods(steps(1)),
            },
            "more-than-sold",
        ),
        (Rejection::NotVoidable { id: text("5"), reason: NotVoidable::NotToday }, "not-voidable"),
        (
            Rejection::Stale { what: Edited::Style { name: text("Ridge hat") }, expected: 1, current: 2 },
            "stale",
        ),
        (invalid(SalesReason::NoAmount.into()), "invalid field: sales/no-amount"),
        (
            invalid(SalesReason::OverBalance { balance: usd(1), given: usd(2) }.into()),
            "invalid field: sales/over-balance",
        ),
        (invalid(ShelfReason::TooManyItems { limit: 500 }.into()), "invalid field: shelf/too-many-items"),
        (invalid(ShopReason::UnknownChannel { channel }.into()), "invalid field: shop/unknown-channel"),
        (invalid(TextError::TooLong { limit: 5 }.into()), "invalid field: text/too-long"),
        (invalid(underpaid.into()), "invalid field: basket/underpaid"),
        (invalid(Reason::Moment { error: future, zone }), "invalid field: moment/error"),
    ]
}

#[test]
fn an_answer_that_is_kept_reads_back_as_it_was() {
    for (rejection, _) in samples() {
        let kept = serde_json::to_string(&rejection).expect("written");
        let read: Rejection = serde_json::from_str(&kept).expect(&kept);
        assert_eq!(read, rejection, "{kept}");
    }
}

#[test]
fn the_log_gets_a_code_and_nothing_of_a_person() {
    for (rejection, code) in samples() {
        assert_eq!(rejection.to_string(), code);
    }
}
