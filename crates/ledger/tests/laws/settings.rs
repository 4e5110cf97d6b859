//! The shop's settings: what they may be, and that they count at once.

use crate::expected::*;
use crate::harness::on_each;
use crate::make::*;
use domain::shop_color::NotAColor;
use ledger::keeping::{ChangeShop, SetShop};

/// Settings that a shop with a fee of `online` refuses, and why.
fn wrong_settings() -> Vec<(&'static str, &'static str, Expected)> {
    let tenders = || ledger::COUNTER_TENDERS.to_vec();
    let unknown_tender = |code: &str| ShopReason::UnknownTender { code: code.to_owned(), known: tenders() };
    let fee = ShopReason::FeeInOldCurrency {
        channel: channel("online"),
        fee: "3.1% + 0.25".to_owned(),
        currency: currency("USD"),
        no_fee: "none".to_owned(),
    };
    let known = || ledger::Shop::KEYS.iter().map(|key| (*key).to_owned()).collect();
    let unknown = |key| invalid(key, ShopReason::UnknownSetting { known: known() });
    vec![
        ("colour", "red", unknown("colour")),
        ("name", "", invalid("name", TextError::Empty)),
        ("currency", "usd", invalid("currency", MoneyError::UnknownCurrency { code: "usd".to_owned() })),
        ("zone", "Mars/Olympus", invalid("zone", DayError::UnknownZone { name: "Mars/Olympus".to_owned() })),
        ("unit", "STN", invalid("unit", WeightError::UnknownUnit { code: "STN".to_owned() })),
        ("color", "dark red", invalid("color", NotAColor)),
        ("image_base", "ftp://x", invalid("image_base", ShopReason::NotAWebAddress)),
        ("cash_rounding", "5 sideways", invalid("cash_rounding", ShopReason::NotARounding)),
        ("cash_rounding", "0", invalid("cash_rounding", ShopReason::NotARounding)),
        ("channel.Fair!", "Fair", invalid_at("channel.Fair!")),
        ("channel.fair", " ", invalid("channel.fair", TextError::Empty)),
        ("tenders", "cash barter", invalid("tenders", unknown_tender("barter"))),
        ("tenders", "online", invalid("tenders", unknown_tender("online"))),
        ("tenders", " ", invalid("tenders", ShopReason::NoTender { known: tenders() })),
        ("fee.online", "a lot", invalid("fee.online", FeeError::NotAFee { text: "a lot".to_owned() })),
        (
            "fee.nowhere",
            "1%",
            invalid("fee.nowhere", ShopReason::FeeWithoutChannel { channel: channel("nowhere") }),
        ),
        ("fee", "1%", unknown("fee")),
        ("currency", "EUR", invalid("currency", fee)),
    ]
}

#[test]
fn settings_are_set_or_refused() {
    on_each(|shop| async move {
        let set = |key: &str, value: &str| SetShop {
            key: key.to_owned(),
            value: value.to_owned(),
            who: "owner".to_owned(),
        };
        for (key, value) in [
            ("name", "Hill farm"),
            ("currency", "EUR"),
            ("currency", "USD"),
            ("zone", "America/New_York"),
            ("unit", "GRM"),
            ("color", "2F5F9E"),
            ("image_base", "https://example.org/images/"),
            ("cash_rounding", "5 down"),
            ("channel.spring-fair", "Spring fair"),
            ("tenders", "card, cash"),
            ("fee.online", "3.1% + 0.25"),
            ("fee.spring-fair", "3%"),
            ("fee.spring-fair", "none"),
        ] {
            shop.ok(set(key, value)).await;
        }
        let now = shop.ledger.shop();
        let rows: Vec<_> = now.rows().into_iter().map(|(k, v)| format!("{k}={v}")).collect();
        for row in [
            "name=Hill farm",
            "currency=USD",
            "zone=America/New_York",
            "unit=GRM",
            "cash_rounding=5 down",
            "tenders=card cash",
            "fee.online=3.1% + 0.25",
        ] {
            assert!(rows.iter().any(|r| r == row), "{row}: {rows:?}");
        }
        assert_eq!(rows.iter().filter(|r| r.starts_with("fee.")).count(), 1, "{rows:?}");
        assert_eq!(now.image_base.as_deref(), Some("https://example.org/images"));
        for (key, value, expected) in wrong_settings() {
            shop.refuses(set(key, value), expected).await;
        }
        shop.ok(add(vec![piece("p1", 100)])).await;
        shop.refuses(
            set("currency", "EUR"),
            invalid("currency", ShopReason::CurrencyInUse { currency: currency("USD") }),
        )
        .await;
    });
}

/// What one form contains is saved completely or not at all.
#[test]
fn several_settings_are_set_together() {
    on_each(|shop| async move {
        let change = |settings: &[(&str, &str)]| ChangeShop {
            settings: settings.iter().map(|(k, v)| ((*k).to_owned(), (*v).to_owned())).collect(),
            who: "owner".to_owned(),
        };
        shop.refuses(
            change(&[("name", "Hill farm"), ("unit", "STN")]),
            invalid("unit", WeightError::UnknownUnit { code: "STN".to_owned() }),
        )
        .await;
        assert_eq!(shop.ledger.refresh_shop().await.unwrap().name, "Our farm");
        assert!(shop.ledger.shop().is_untouched());
        let fair =
            [("channel.fair", "Fair"), ("fee.fair", "4.2%"), ("name", "Hill farm"), ("currency", "EUR")];
        shop.ok(change(&fair)).await;
        let now = shop.ledger.shop();
        assert_eq!((now.name.as_str(), now.currency.code()), ("Hill farm", "EUR"));
        assert_eq!(now.fees.get(&channel("fair")).map(ToString::to_string).as_deref(), Some("4.2%"));
        assert!(!now.is_untouched() && !shop.ledger.currency_is_fixed().await.unwrap());
        shop.ok(change(&[("currency", "USD")])).await;
        shop.ok(add(vec![piece("p1", 100)])).await;
        assert!(shop.ledger.currency_is_fixed().await.unwrap());
    });
}

/// Another process adds a channel: this process must not judge a sale there by its earlier settings.
#[test]
fn settings_changed_by_another_process_count_at_once() {
    on_each(|shop| async move {
        let other = crate::harness::open(&shop.url, shop.clock.clone()).await;
        shop.ok(add(vec![piece("p1", 103)])).await;
        let fair =
            SetShop { key: "channel.fair".to_owned(), value: "Fair".to_owned(), who: "owner".to_owned() };
        other.execute(None, &fair).await.unwrap();
        other
            .execute(
                None,
                &SetShop {
                    key: "cash_rounding".to_owned(),
                    value: "5 up".to_owned(),
                    who: "owner".to_owned(),
                },
            )
            .await
            .unwrap();
        let sold = shop.ok(ledger::sales::NewSale { channel: channel("fair"), ..sale_of("p1", 105) }).await;
        assert_eq!((sold.channel.as_str(), sold.totals.rounding), ("fair", usd(2)));
        other.close().await;
    });
}
