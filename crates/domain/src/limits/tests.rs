use super::*;

fn usd(text: &str) -> Money {
    Money::parse(text, Currency::USD).expect("an amount")
}

fn limits(values: &[(LimitName, &str)]) -> Limits {
    let mut limits = Limits::none();
    for (name, value) in values {
        limits.set(*name, value, Currency::USD).expect(value);
    }
    limits
}

#[test]
fn a_limit_is_read_as_it_is_written_and_refused_in_words() {
    let check = |name: LimitName, value: &str, expected: Option<&str>| {
        let mut limits = Limits::of_role(Role::Counter);
        let set = limits.set(name, value, Currency::USD);
        assert_eq!(set.is_ok().then(|| limits.written(name)).as_deref(), expected, "{name:?} {value}");
        if let Err(wrong) = set {
            assert!(wrong.to_string().contains(name.code()), "{wrong}");
        }
    };
    check(LimitName::Channels, "store, market,store", Some("store,market"));
    check(LimitName::Channels, "none", Some("none"));
    check(LimitName::Channels, "", None);
    check(LimitName::Channels, "store,,market", None);
    check(LimitName::Discount, "12.5", Some("12.5"));
    check(LimitName::Discount, "20 %", Some("20"));
    check(LimitName::Discount, "0", Some("0"));
    check(LimitName::Discount, "100", Some("100"));
    check(LimitName::Discount, "100.01", None);
    check(LimitName::Discount, "12.345", None);
    check(LimitName::Discount, "-1", None);
    for name in [LimitName::BackdateDays, LimitName::OpenHolds, LimitName::HoldDays] {
        check(name, "0", Some("0"));
        check(name, "30", Some("30"));
        check(name, "none", Some("none"));
        check(name, "-1", None);
        check(name, "1.5", None);
        check(name, "100001", None);
    }
    check(LimitName::TaxByHand, "no", Some("no"));
    check(LimitName::TaxByHand, "none", Some("yes"));
    check(LimitName::TaxByHand, "maybe", None);
    check(LimitName::Refund, "200", Some("200.00"));
    check(LimitName::Refund, "0", Some("0.00"));
    check(LimitName::Refund, "-5", None);
    check(LimitName::Refund, "much", None);
    for name in LimitName::ALL {
        assert_eq!(LimitName::from_code(name.code()), Some(name));
    }
}

// Our own rule, no source.
#[test]
fn who_has_which_limits_before_the_owner_says_anything() {
    let all = |role| LimitName::ALL.map(|name| Limits::of_role(role).written(name));
    assert_eq!(all(Role::Counter), ["none", "25", "7", "50", "92", "yes", "none", "no"]);
    for role in [Role::Maker, Role::Owner] {
        assert_eq!(Limits::of_role(role), Limits::none());
    }
}

#[test]
fn a_discount_is_measured_to_the_minor_unit() {
    let check = |limit: &str, amount: &str, off: &str, spread: bool, told: Option<&str>| {
        let found = limits(&[(LimitName::Discount, limit)]).allow_discount(usd(amount), usd(off), spread);
        assert_eq!(found.err().map(|above| above.asked).as_deref(), told, "{off} of {amount}");
    };
    check("20", "48.00", "9.60", false, None);
    check("20", "48.00", "9.61", false, Some("20.03"));
    // 20% of 0.99 is 0.198, or 0.20 when rounded.
    check("20", "0.99", "0.20", false, None);
    check("20", "0.99", "0.21", false, Some("21.22"));
    check("20", "0.99", "0.21", true, None);
    check("0", "48.00", "0.00", false, None);
    check("0", "48.00", "0.01", false, Some("0.03"));
    check("100", "48.00", "48.00", false, None);
    check("none", "48.00", "48.00", false, None);
    check("20", "0.00", "0.01", false, Some("100"));
}

#[test]
fn each_limit_holds_at_its_edge_and_says_what_it_is() {
    let limits = limits(&[
        (LimitName::Channels, "store"),
        (LimitName::BackdateDays, "7"),
        (LimitName::OpenHolds, "2"),
        (LimitName::HoldDays, "30"),
        (LimitName::TaxByHand, "no"),
        (LimitName::Refund, "200"),
    ]);
    let now = Moment::from_millis(1_779_019_200_000);
    let days = |days: i64| now.plus_millis(days * DAY_MS);
    assert_eq!(limits.allow_channel(&Channel::store()), Ok(()));
    assert_eq!(limits.allow_backdate(7), Ok(()));
    assert_eq!(limits.allow_open_holds(2), Ok(()));
    assert_eq!(limits.allow_hold(now, Some(days(30))), Ok(Some(days(30))));
    assert_eq!(limits.allow_hold(now, None), Ok(Some(days(30))), "a hold without an end gets one");
    assert_eq!(limits.allow_tax(usd("0")), Ok(()));
    assert_eq!(limits.allow_refund(usd("200.00")), Ok(()));
    let check = |above: Result<(), AboveLimit>, words: &str| {
        let told = above.expect_err(words).to_string();
        assert!(told.contains(words) && told.ends_with("Ask someone with more rights to do it"), "{told}");
    };
    check(limits.allow_channel(&Channel::online()), "can sell only on store, not on online");
    check(limits.allow_backdate(8), "dated 8 days back, and your limit is 7");
    check(limits.allow_open_holds(3), "3 open holds, and your limit is 2");
    let longer = limits.allow_hold(now, Some(days(30).plus_millis(1)));
    check(longer.map(drop), "would last 31 days, and your limit is 30");
    check(limits.allow_tax(usd("0.01")), "cannot enter sales tax");
    check(limits.allow_refund(usd("200.01")), "would refund 200.01");
    assert_eq!(Limits::none().allow_hold(now, None), Ok(None));
}

#[test]
fn an_approver_may_approve_what_they_may_do() {
    let check = |limit: LimitName, own: &str, asked: &str, expected: bool| {
        let above = AboveLimit { limit, asked: asked.to_owned(), allowed: String::new() };
        assert_eq!(limits(&[(limit, own)]).would_allow(&above), expected, "{limit:?} {own} {asked}");
        assert!(Limits::none().would_allow(&above), "{limit:?} {asked}");
    };
    check(LimitName::Channels, "store,market", "market", true);
    check(LimitName::Channels, "store", "market", false);
    check(LimitName::Discount, "30", "30", true);
    check(LimitName::Discount, "30", "30.01", false);
    check(LimitName::Discount, "30", "much", false);
    check(LimitName::BackdateDays, "7", "7", true);
    check(LimitName::BackdateDays, "7", "8", false);
    check(LimitName::OpenHolds, "7", "8", false);
    check(LimitName::HoldDays, "7", "8", false);
    check(LimitName::TaxByHand, "no", "0.01", false);
    check(LimitName::Refund, "200", "200.00", true);
    check(LimitName::Refund, "200", "200.01", false);
    check(LimitName::RefundTender, "no", "40.00 by cash", false);
}

#[test]
fn of_several_discounts_the_largest_is_named() {
    let limits = limits(&[(LimitName::Discount, "20")]);
    let lines = [(usd("10.00"), usd("3.00")), (usd("10.00"), usd("10.00")), (usd("10.00"), usd("4.00"))];
    assert_eq!(limits.allow_discounts(lines, false).expect_err("too much").asked, "100");
    assert_eq!(limits.allow_discounts([(usd("10.00"), usd("2.00"))], false), Ok(()));
}
