//! Callers' limits: inside the transaction, by role and by token; and how long a refusal is stored.

use crate::expected::*;
use crate::harness::*;
use crate::make::*;
use domain::channel::Channel;
use domain::limits::LimitName;
use domain::people::Role;
use domain::stock::ReturnDisposition;
use ledger::people::{Activity, AddPerson, AddToken, LimitsOf, Phc, SetLimits};
use ledger::sales::{BasketChange, BasketFromHold, HoldBasket, MoveBasket, NewSale, OpenBasket, VoidSale};
use ledger::shelf::{NewHold, Purpose};
use ledger::{Actor, Command, Key, Rejection};

fn actor(who: &str, role: Role, token: Option<&str>) -> Actor {
    Actor { who: who.to_owned(), role, token: token.map(str::to_owned) }
}

fn hand() -> Actor {
    actor("Ash", Role::Counter, None)
}

fn set(of: LimitsOf, values: &[(LimitName, &str)]) -> SetLimits {
    let values = values.iter().map(|(name, value)| (*name, (*value).to_owned())).collect();
    SetLimits { of, values, who: "Maud".to_owned() }
}

/// A new key each time, sent by somebody.
fn sent_by(actor: Actor) -> Key {
    static NEXT: std::sync::atomic::AtomicU64 = std::sync::atomic::AtomicU64::new(0);
    let number = NEXT.fetch_add(1, std::sync::atomic::Ordering::SeqCst);
    Key::new("limits", &number.to_string(), b"").unwrap().sent_by(actor)
}

/// The limit that refuses it, as `limit asked allowed`; none if it is done.
async fn refused_by<C: Command>(shop: &Shop, actor: Actor, command: &C) -> Option<String> {
    let before = crate::audit::fingerprint(shop).await;
    match shop.ledger.answer(Some(&sent_by(actor)), command).await.unwrap().answer {
        Ok(_) => None,
        Err(Rejection::AboveLimit(above)) => {
            assert_eq!(crate::audit::fingerprint(shop).await, before, "{above} left something");
            Some(format!("{} {} {}", above.limit.code(), above.asked, above.allowed))
        }
        Err(other) => panic!("on {:?}: {other}", shop.engine),
    }
}

async fn stocked(shop: &Shop) {
    shop.ok(add(vec![counted("KIT", "100", 1000), piece("COWL", 4800)])).await;
}

fn on(channel: &str) -> NewSale {
    NewSale { channel: Channel::parse(channel).unwrap(), ..sale_of("KIT", 1000) }
}

#[test]
fn a_sale_keeps_within_the_limits_of_whoever_rings_it_up() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let counter = LimitsOf::Role(Role::Counter);
        let values = [
            (LimitName::Channels, "store,market"),
            (LimitName::Discount, "20"),
            (LimitName::BackdateDays, "2"),
            (LimitName::TaxByHand, "no"),
        ];
        shop.ok(set(counter, &values)).await;
        let at = |days: i64| NewSale { at: Some(START.plus_millis(-days * DAY_MS)), ..sale_of("KIT", 1000) };
        let off = |line: i64, whole: i64| NewSale {
            discount: usd(whole),
            ..sale(vec![less("KIT", "1", line, 0)], cash(1000))
        };
        let check = |sale: NewSale, expected: Option<&'static str>| {
            let shop = shop.clone();
            async move {
                let found = refused_by(&shop, hand(), &sale).await;
                assert_eq!(found.as_deref(), expected, "on {:?}: {sale:?}", shop.engine);
                // An owner and the program itself are allowed to.
                assert_eq!(refused_by(&shop, actor("Maud", Role::Owner, None), &sale).await, None);
                shop.ok(sale).await;
            }
        };
        check(on("store"), None).await;
        check(on("market"), None).await;
        check(on("wholesale"), Some("channels wholesale store, market")).await;
        check(off(200, 0), None).await;
        check(off(201, 0), Some("discount 20.1 20")).await;
        check(off(0, 200), None).await;
        check(off(0, 202), Some("discount 20.2 20")).await;
        check(off(150, 100), Some("discount 25 20")).await;
        check(at(2), None).await;
        check(at(3), Some("backdate_days 3 2")).await;
        check(sale(vec![less("KIT", "1", 0, 1)], cash(1001)), Some("tax_by_hand 0.01 no")).await;
    });
}

#[test]
fn a_slip_is_refused_before_money_is_taken() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(set(LimitsOf::Role(Role::Counter), &[(LimitName::Channels, "store")])).await;
        let first = Some(BasketChange::Add { code: code("KIT"), quantity: None });
        let channel = Channel::parse("market").unwrap();
        let basket = shop.ok(OpenBasket { channel, first, who: "Ash".to_owned() }).await;
        let revision = shop.ledger.basket(basket).await.unwrap().revision;
        let hold = HoldBasket { basket, revision, without: Vec::new(), who: "Ash".to_owned() };
        let refused = refused_by(&shop, hand(), &hold).await;
        assert_eq!(refused.as_deref(), Some("channels market store"), "on {:?}", shop.engine);
        assert_eq!(refused_by(&shop, actor("Maud", Role::Owner, None), &hold).await, None);
    });
}

#[test]
fn a_slip_is_begun_only_where_its_clerk_may_sell() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(set(LimitsOf::Role(Role::Counter), &[(LimitName::Channels, "store")])).await;
        let (market, who) = (Channel::parse("market").unwrap(), String::new());
        let begun = OpenBasket { channel: market.clone(), first: None, who: who.clone() };
        assert_eq!(refused_by(&shop, hand(), &begun).await.as_deref(), Some("channels market store"));
        let held = shop.ok(hold(&[("KIT", "1")], Purpose::Customer, None)).await;
        let from = BasketFromHold { hold: held.id, channel: market, who };
        assert_eq!(refused_by(&shop, hand(), &from).await.as_deref(), Some("channels market store"));
        for command in [begun.clone(), OpenBasket { channel: Channel::store(), ..begun }] {
            assert_eq!(refused_by(&shop, actor("Maud", Role::Owner, None), &command).await, None);
        }
        let at_store = BasketFromHold { channel: Channel::store(), ..from };
        assert_eq!(refused_by(&shop, hand(), &at_store).await, None);
    });
}

#[test]
fn a_slip_is_moved_only_where_its_mover_may_sell() {
    on_each(|shop| async move {
        shop.ok(set(LimitsOf::Role(Role::Counter), &[(LimitName::Channels, "store")])).await;
        let (channel, who) = (Channel::store(), String::new());
        let basket = shop.ok(OpenBasket { channel, first: None, who }).await;
        let to = MoveBasket { basket, channel: Channel::parse("market").unwrap() };
        assert_eq!(refused_by(&shop, hand(), &to).await.as_deref(), Some("channels market store"));
        assert_eq!(refused_by(&shop, actor("Maud", Role::Owner, None), &to).await, None);
    });
}

#[test]
fn what_goes_back_of_a_sale_is_limited_in_all() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(set(LimitsOf::Role(Role::Counter), &[(LimitName::Refund, "15")])).await;
        let sold = shop.ok(sale(vec![goods("KIT", "3")], cash(3000))).await;
        let one = part(sold.id, sold.lines[0].id, Some("1"), ReturnDisposition::Shelf);
        assert_eq!(refused_by(&shop, hand(), &one).await, None);
        let refused = refused_by(&shop, hand(), &one).await;
        assert_eq!(refused.as_deref(), Some("refund 20.00 15.00"), "in parts it is no less");
        let whole = shop.ok(sale(vec![goods("KIT", "2")], cash(2000))).await;
        let void = VoidSale { sale: whole.id, reason: "a slip".to_owned(), who: "Ash".to_owned() };
        assert_eq!(refused_by(&shop, hand(), &void).await.as_deref(), Some("refund 20.00 15.00"));
        let small = shop.ok(sale_of("KIT", 1000)).await;
        assert_eq!(refused_by(&shop, hand(), &VoidSale { sale: small.id, ..void.clone() }).await, None);
        assert_eq!(refused_by(&shop, actor("Maud", Role::Owner, None), &void).await, None);
    });
}

#[test]
fn holds_are_limited_in_number_and_length_and_a_sale_can_still_be_paid() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let values = [(LimitName::OpenHolds, "1"), (LimitName::HoldDays, "2")];
        shop.ok(set(LimitsOf::Role(Role::Counter), &values)).await;
        let for_days =
            |days: i64| hold(&[("KIT", "1")], Purpose::Customer, Some(START.plus_millis(days * DAY_MS)));
        let refused = refused_by(&shop, hand(), &for_days(3)).await;
        assert_eq!(refused.as_deref(), Some("hold_days 3 2"));
        let open: NewHold = hold(&[("KIT", "1"), ("COWL", "1")], Purpose::Customer, None);
        let held = shop.ledger.execute(Some(&sent_by(hand())), &open).await.unwrap().answer;
        assert_eq!(held.until, Some(START.plus_millis(2 * DAY_MS)), "without an end it gets one");
        let refused = refused_by(&shop, hand(), &for_days(1)).await;
        assert_eq!(refused.as_deref(), Some("open_holds 2 1"), "lines held together are one");
        assert_eq!(refused_by(&shop, hand(), &basket(&[("KIT", "1")])).await, None);
        assert_eq!(refused_by(&shop, actor("Elm", Role::Counter, None), &for_days(1)).await, None);
        shop.clock.advance_millis(2 * DAY_MS);
        assert_eq!(refused_by(&shop, hand(), &for_days(3)).await, None, "the first ran out");
    });
}

#[test]
fn of_holds_at_the_same_moment_as_many_as_may_be_are_made() {
    on_each(|shop| async move {
        stocked(&shop).await;
        shop.ok(set(LimitsOf::Role(Role::Counter), &[(LimitName::OpenHolds, "3")])).await;
        let tries = (0..12).map(|_| {
            let shop = shop.clone();
            tokio::spawn(async move {
                refused_by_any(&shop, &hold(&[("KIT", "1")], Purpose::Customer, None)).await
            })
        });
        let mut held = 0;
        for tried in tries.collect::<Vec<_>>() {
            held += usize::from(tried.await.unwrap());
        }
        assert_eq!(held, 3, "on {:?}", shop.engine);
        assert_eq!(
            shop.number("SELECT COUNT(*) FROM hold WHERE state = 'open' AND held_by = 'Ash'").await,
            3
        );
    });
}

/// Whether it was done.
async fn refused_by_any(shop: &Shop, hold: &NewHold) -> bool {
    match shop.ledger.answer(Some(&sent_by(hand())), hold).await.unwrap().answer {
        Ok(_) => true,
        Err(Rejection::AboveLimit(_)) => false,
        Err(other) => panic!("{other}"),
    }
}

#[test]
fn a_token_s_own_limits_go_before_its_role_s() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let until = START.plus_millis(DAY_MS);
        let (jti, name, who) = ("j1".to_owned(), "Stall".to_owned(), "Maud".to_owned());
        shop.ok(AddToken { jti, name, role: Role::Owner, until, who }).await;
        let stall = || actor("Stall", Role::Owner, Some("j1"));
        assert_eq!(refused_by(&shop, stall(), &on("store")).await, None);
        shop.ok(set(LimitsOf::Token("stall ".to_owned()), &[(LimitName::Channels, "market")])).await;
        let refused = refused_by(&shop, stall(), &on("store")).await;
        assert_eq!(refused.as_deref(), Some("channels store market"), "an owner's token too");
        let wider = set(LimitsOf::Token("Stall".to_owned()), &[(LimitName::Channels, "none")]);
        let by_itself = shop.ledger.execute(Some(&sent_by(stall())), &wider).await.unwrap_err();
        let by_itself = by_itself.rejection().unwrap();
        invalid("limits", PeopleReason::LimitedToken).check(by_itself, shop.engine);
        shop.ok(set(LimitsOf::Token("Stall".to_owned()), &[(LimitName::Channels, "default")])).await;
        assert_eq!(refused_by(&shop, stall(), &on("store")).await, None);
        let rows = shop.ledger.activity(None, 1).await.unwrap();
        assert_eq!((rows[0].act, rows[0].what.as_str()), (Activity::Limits, "token Stall"));
        assert_eq!(rows[0].detail, "channels: market → none");
        shop.refuses(set(LimitsOf::Token("Nobody".to_owned()), &[]), no_such(Thing::Token, "Nobody")).await;
        let owner = set(LimitsOf::Role(Role::Owner), &[(LimitName::Discount, "1")]);
        shop.refuses(owner, invalid("role", PeopleReason::OwnerHasNoLimits)).await;
        let unknown = set(LimitsOf::Role(Role::Counter), &[(LimitName::Channels, "store,moon")]);
        shop.refuses(unknown, invalid("channel", ShopReason::UnknownChannel { channel: channel("moon") }))
            .await;
        let wrong = set(LimitsOf::Role(Role::Counter), &[(LimitName::Discount, "lots")]);
        let lots =
            domain::limits::Limits::none().set(LimitName::Discount, "lots", currency("USD")).unwrap_err();
        shop.refuses(wrong, invalid("discount", lots)).await;
    });
}

#[test]
fn a_refusal_is_given_again_for_a_day_and_what_was_made_for_good() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let key = |name: &str| Key::new("till POST /api/sales", name, b"body").unwrap();
        let wrong = NewSale { discount: usd(999_999), ..sale_of("KIT", 1000) };
        let run = |name: &'static str, sale: NewSale| {
            let (shop, key) = (shop.clone(), key(name));
            async move {
                let done = shop.ledger.answer(Some(&key), &sale).await.unwrap();
                (done.answer.is_ok(), done.replayed)
            }
        };
        assert_eq!(run("made", sale_of("KIT", 1000)).await, (true, false));
        assert_eq!(run("refused", wrong.clone()).await, (false, false));
        assert_eq!(run("other", wrong.clone()).await, (false, false));
        shop.clock.advance_millis(DAY_MS - 1);
        assert_eq!(run("refused", sale_of("KIT", 1000)).await, (false, true), "on {:?}", shop.engine);
        shop.clock.advance_millis(1);
        assert_eq!(run("refused", sale_of("KIT", 1000)).await, (true, false), "on {:?}", shop.engine);
        assert_eq!(run("refused", sale_of("KIT", 1000)).await, (true, true));
        // A new refusal deletes those that have expired.
        let kept = "SELECT COUNT(*) FROM idempotency_key WHERE refused = 1";
        assert_eq!(shop.number(kept).await, 1);
        assert_eq!(run("third", wrong).await, (false, false));
        assert_eq!(shop.number(kept).await, 1);
        shop.clock.advance_millis(400 * DAY_MS);
        assert_eq!(run("made", sale_of("KIT", 1000)).await, (true, true));
    });
}

#[test]
fn a_name_says_who_did_what() {
    on_each(|shop| async move {
        let person = |name: &str| AddPerson {
            name: name.to_owned(),
            role: Role::Owner,
            password: Phc::new("$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA".to_owned()).unwrap(),
            pin: None,
            who: "Maud".to_owned(),
        };
        let token = |name: &str| AddToken {
            jti: format!("j {name}"),
            name: name.to_owned(),
            role: Role::Counter,
            until: START.plus_millis(DAY_MS),
            who: "Maud".to_owned(),
        };
        shop.ok(person("Maud")).await;
        shop.ok(token("Stall tablet")).await;
        shop.refuses(token("MAUD "), invalid("name", PeopleReason::NameOfPerson { name: "MAUD".to_owned() }))
            .await;
        shop.refuses(
            person(" stall TABLET"),
            invalid("name", PeopleReason::NameOfToken { name: "stall TABLET".to_owned() }),
        )
        .await;
        shop.refuses(
            token("Command line"),
            invalid("name", PeopleReason::NameReserved { name: "Command line".to_owned() }),
        )
        .await;
        shop.refuses(
            person("in-folder"),
            invalid("name", PeopleReason::NameReserved { name: "in-folder".to_owned() }),
        )
        .await;
        shop.ok(ledger::people::EndToken { name: "Stall tablet".to_owned(), who: String::new() }).await;
        // What it did is recorded under its name.
        shop.refuses(
            person("Stall tablet"),
            invalid("name", PeopleReason::NameOfToken { name: "Stall tablet".to_owned() }),
        )
        .await;
        shop.ok(token("Stall tablet ii")).await;
    });
}
