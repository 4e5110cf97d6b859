//! Approvals: what a limit refuses, another person lets happen once, for one request, within a minute.

use crate::audit;
use crate::expected::*;
use crate::harness::*;
use crate::make::*;
use crate::races::{at_once, views};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::discount::Off;
use domain::ids::{ApprovalId, BasketId, PersonId, SessionId};
use domain::limits::{AboveLimit, LimitName};
use domain::people::Role;
use ledger::people::{
    APPROVED_FOR_MS, Activity, AddPerson, Approve, By, EndPerson, LimitsOf, Phc, SetLimits, TryOf,
};
use ledger::sales::{
    BasketChange, ChangeBasket, HoldBasket, NewRefund, NewSale, OpenBasket, RefundTender, VoidSale,
};
use ledger::shelf::{NewHold, Purpose};
use ledger::{Actor, Command, Key, Rejection};
use std::sync::atomic::{AtomicU64, Ordering};

const SESSION: SessionId = SessionId::from_raw(7);

/// An owner, a maker and two clerks.
struct People {
    maud: PersonId,
    moss: PersonId,
    ash: PersonId,
    bo: PersonId,
}

fn phc(of: &str) -> Phc {
    Phc::new(format!("$argon2id$v=19$m=19456,t=2,p=1$c2FsdHNhbHQ${}", of.repeat(4))).unwrap()
}

async fn people(shop: &Shop) -> People {
    shop.ok(add(vec![counted("KIT", "100", 1000), piece("COWL", 4800), piece("HAT", 4000)])).await;
    let mut ids = Vec::new();
    let all = [("Maud", Role::Owner), ("Moss", Role::Maker), ("Ash", Role::Counter), ("Bo", Role::Counter)];
    for (name, role) in all {
        let (pin, who) = (Some(phc("pin")), "Maud".to_owned());
        let person = AddPerson { name: name.to_owned(), role, password: phc(name), pin, who };
        ids.push(shop.ok(person).await);
    }
    People { maud: ids[0], moss: ids[1], ash: ids[2], bo: ids[3] }
}

async fn limit(shop: &Shop, role: Role, name: LimitName, value: &str) {
    let values = vec![(name, value.to_owned())];
    shop.ok(SetLimits { of: LimitsOf::Role(role), values, who: "Maud".to_owned() }).await;
}

fn ash() -> Actor {
    Actor { who: "Ash".to_owned(), role: Role::Counter, token: None }
}

/// A new request of Ash's with this body.
fn request(body: &str) -> Key {
    static NEXT: AtomicU64 = AtomicU64::new(0);
    let number = NEXT.fetch_add(1, Ordering::SeqCst).to_string();
    Key::new("Ash POST /counter", &number, body.as_bytes()).unwrap().sent_by(ash())
}

/// An approval for a request with this body.
fn approve(people: &People, approver: PersonId, name: &str, above: &AboveLimit, body: &str) -> Approve {
    Approve {
        above: above.clone(),
        request_hash: request(body).request_hash(),
        session: SESSION,
        asker: people.ash,
        approver,
        by: By::Password,
        checked: phc(name),
        second: None,
        tried: TryOf::approval(people.ash),
    }
}

async fn above<C: Command>(shop: &Shop, key: &Key, command: &C) -> AboveLimit {
    let before = audit::fingerprint(shop).await;
    match shop.ledger.answer(Some(key), command).await.unwrap().answer {
        Err(Rejection::AboveLimit(above)) => {
            assert_eq!(audit::fingerprint(shop).await, before, "{above} left something");
            above
        }
        Err(other) => panic!("on {:?}: {other}", shop.engine),
        Ok(_) => panic!("on {:?}: not refused", shop.engine),
    }
}

async fn done<C: Command>(shop: &Shop, key: &Key, command: &C) -> C::Answer {
    match shop.ledger.answer(Some(key), command).await.unwrap().answer {
        Ok(answer) => answer,
        Err(other) => panic!("on {:?}: {other}", shop.engine),
    }
}

fn with(body: &str, id: ApprovalId) -> Key {
    request(body).approved(SESSION, vec![id])
}

/// A sale with this much off a line of $10.00.
fn off(cents: i64) -> NewSale {
    sale(vec![less("KIT", "1", cents, 0)], cash(1000))
}

#[test]
fn an_approval_is_for_one_act_one_request_one_sum_one_session_and_a_minute() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        let refused = above(&shop, &request("a"), &off(400)).await;
        assert_eq!((refused.limit, refused.asked.as_str()), (LimitName::Discount, "40"));
        let give = || shop.ok(approve(&people, people.maud, "Maud", &refused, "a"));
        // Another body, sum, act or session, and no session's: refused each time, and nothing is used up.
        let id = give().await;
        above(&shop, &with("b", id), &off(400)).await;
        above(&shop, &with("a", id), &off(500)).await;
        let moon = NewSale { at: Some(START.plus_millis(-30 * DAY_MS)), ..sale_of("KIT", 1000) };
        above(&shop, &with("a", id), &moon).await;
        above(&shop, &request("a").approved(SessionId::from_raw(8), vec![id]), &off(400)).await;
        above(&shop, &request("a").approved(SESSION, vec![ApprovalId::from_raw(1)]), &off(400)).await;
        done(&shop, &with("a", id), &off(400)).await;
        above(&shop, &with("a", id), &off(400)).await;
        // It ends with its minute.
        let id = give().await;
        shop.clock.advance_millis(APPROVED_FOR_MS);
        above(&shop, &with("a", id), &off(400)).await;
        let id = give().await;
        shop.clock.advance_millis(APPROVED_FOR_MS - 1);
        done(&shop, &with("a", id), &off(400)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn both_names_are_kept_and_the_log_says_what_was_approved() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        let refused = above(&shop, &request("a"), &off(400)).await;
        let id = shop.ok(approve(&people, people.maud, "Maud", &refused, "a")).await;
        assert_eq!(
            shop.number("SELECT COUNT(*) FROM activity WHERE act = 'approved'").await,
            0,
            "not used yet"
        );
        done(&shop, &with("a", id), &off(400)).await;
        let log = shop.ledger.activity(None, 1).await.unwrap().remove(0);
        assert_eq!((log.who.as_str(), log.act, log.what.as_str()), ("Maud", Activity::Approved, "Ash"));
        assert_eq!(log.detail, "a discount of 40%, for Ash");
        let kept =
            "SELECT COUNT(*) FROM approval WHERE asker = 'Ash' AND approver = 'Maud' AND used_ms IS NOT NULL";
        assert_eq!(shop.number(kept).await, 1);
    });
}

#[test]
fn only_somebody_else_whose_own_limits_allow_it_approves() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        limit(&shop, Role::Maker, LimitName::Discount, "30").await;
        let refused = above(&shop, &request("a"), &off(400)).await;
        let may = |asker| {
            let (ledger, refused) = (shop.ledger.clone(), refused.clone());
            async move {
                let all = ledger.approvers(&refused, asker).await.unwrap();
                all.into_iter().map(|one| one.name).collect::<Vec<_>>()
            }
        };
        assert_eq!(may(people.ash).await, ["Maud"]);
        assert_eq!(may(people.maud).await, Vec::<String>::new(), "nobody asks themselves");
        let own = approve(&people, people.ash, "Ash", &refused, "a");
        shop.refuses(own, invalid("approver", PeopleReason::ApprovesOwn)).await;
        let limited =
            |name: &str| invalid("approver", PeopleReason::ApproverLimited { name: name.to_owned() });
        shop.refuses(approve(&people, people.bo, "Bo", &refused, "a"), limited("Bo")).await;
        shop.refuses(approve(&people, people.moss, "Moss", &refused, "a"), limited("Moss")).await;
        shop.refuses(approve(&people, people.maud, "Moss", &refused, "a"), none(Thing::Person)).await;
        // What the maker may do, the maker approves; with a limit that is lowered meanwhile, no more.
        limit(&shop, Role::Maker, LimitName::Discount, "40").await;
        assert_eq!(may(people.ash).await, ["Maud", "Moss"]);
        let id = shop.ok(approve(&people, people.moss, "Moss", &refused, "a")).await;
        limit(&shop, Role::Maker, LimitName::Discount, "39").await;
        above(&shop, &with("a", id), &off(400)).await;
        limit(&shop, Role::Maker, LimitName::Discount, "40").await;
        done(&shop, &with("a", id), &off(400)).await;
        // By PIN, and not after the approver left.
        let by_pin = Approve {
            by: By::Pin,
            checked: phc("pin"),
            ..approve(&people, people.moss, "Moss", &refused, "a")
        };
        let id = shop.ok(by_pin).await;
        shop.ok(EndPerson { person: people.moss, who: "Maud".to_owned() }).await;
        above(&shop, &with("a", id), &off(400)).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn of_eight_that_use_one_approval_one_has_it() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        let refused = above(&shop, &request("a"), &off(400)).await;
        let id = shop.ok(approve(&people, people.maud, "Maud", &refused, "a")).await;
        let views = views(&shop).await;
        let outcomes = at_once(8, |n| {
            let (ledger, key) = (views[n % 2].clone(), with("a", id));
            async move { ledger.answer(Some(&key), &off(400)).await.unwrap().answer.is_ok() }
        })
        .await;
        assert_eq!(outcomes.into_iter().filter(|done| *done).count(), 1, "on {:?}", shop.engine);
        assert_eq!(shop.number("SELECT COUNT(*) FROM sale").await, 1);
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// Refused, approved by the owner, done.
async fn approved<C: Command>(
    shop: &Shop,
    people: &People,
    body: &str,
    command: &C,
) -> (AboveLimit, C::Answer) {
    let refused = above(shop, &request(body), command).await;
    let id = shop.ok(approve(people, people.maud, "Maud", &refused, body)).await;
    let answer = done(shop, &with(body, id), command).await;
    (refused, answer)
}

#[test]
fn every_limit_can_be_approved() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        for (name, value) in [
            (LimitName::Channels, "store"),
            (LimitName::OpenHolds, "0"),
            (LimitName::TaxByHand, "no"),
            (LimitName::Refund, "10"),
        ] {
            limit(&shop, Role::Counter, name, value).await;
        }
        let check = |limit: LimitName, asked: &'static str, refused: &AboveLimit| {
            assert_eq!((refused.limit, refused.asked.as_str()), (limit, asked), "on {:?}", shop.engine);
        };
        let market = Channel::parse("market").unwrap();
        let elsewhere = NewSale { channel: market.clone(), ..sale_of("KIT", 1000) };
        check(LimitName::Channels, "market", &approved(&shop, &people, "1", &elsewhere).await.0);
        let late = NewSale { at: Some(START.plus_millis(-8 * DAY_MS)), ..sale_of("KIT", 1000) };
        check(LimitName::BackdateDays, "8", &approved(&shop, &people, "2", &late).await.0);
        let taxed = sale(vec![less("KIT", "1", 0, 50), less("KIT", "1", 0, 25)], cash(2075));
        check(LimitName::TaxByHand, "0.75", &approved(&shop, &people, "3", &taxed).await.0);
        let one = hold(&[("COWL", "1")], Purpose::Customer, None);
        check(LimitName::OpenHolds, "1", &approved(&shop, &people, "4", &one).await.0);
        limit(&shop, Role::Counter, LimitName::OpenHolds, "none").await;
        let long = NewHold {
            until: Some(START.plus_millis(93 * DAY_MS)),
            ..hold(&[("HAT", "1")], Purpose::Customer, None)
        };
        check(LimitName::HoldDays, "93", &approved(&shop, &people, "5", &long).await.0);
        let sold = shop.ok(sale_of("KIT", 1000)).await;
        let two = shop.ok(sale(vec![goods("KIT", "2")], cash(2000))).await;
        shop.ok(part(two.id, two.lines[0].id, Some("1"), domain::stock::ReturnDisposition::Shelf)).await;
        let rest = part(two.id, two.lines[0].id, Some("1"), domain::stock::ReturnDisposition::Shelf);
        check(LimitName::Refund, "20.00", &approved(&shop, &people, "6", &rest).await.0);
        limit(&shop, Role::Counter, LimitName::Refund, "9").await;
        let void = VoidSale { sale: sold.id, reason: "slip".to_owned(), who: "Ash".to_owned() };
        check(LimitName::Refund, "10.00", &approved(&shop, &people, "7", &void).await.0);
        // Above two limits at once: two approvals, each for one.
        let both = NewSale { channel: market, ..off(400) };
        let first = above(&shop, &request("8"), &both).await;
        let one = shop.ok(approve(&people, people.maud, "Maud", &first, "8")).await;
        let second = above(&shop, &with("8", one), &both).await;
        check(LimitName::Discount, "40", &second);
        let two = shop.ok(approve(&people, people.maud, "Maud", &second, "8")).await;
        done(&shop, &request("8").approved(SESSION, vec![one, two]), &both).await;
        audit::clean(&shop).await;
    });
}

fn back(sale: domain::ids::SaleId, by: TenderKind, certificate: Option<u32>) -> NewRefund {
    NewRefund {
        tender: RefundTender::All(by),
        certificate: certificate.map(|seed| testkit::make::certificate(seed).number),
        ..whole_back(sale)
    }
}

fn whole_back(sale: domain::ids::SaleId) -> NewRefund {
    NewRefund {
        sale,
        lines: Vec::new(),
        fate: domain::stock::ReturnDisposition::Shelf,
        shipping: usd(0),
        tender: RefundTender::All(TenderKind::Cash),
        certificate: None,
        reason: "changed their mind".to_owned(),
        who: "Ash".to_owned(),
    }
}

#[test]
fn a_refund_in_another_way_than_the_sale_was_paid_needs_an_approval() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        let bring_in = ledger::sales::BringInCertificate {
            certificate: testkit::make::certificate(1),
            amount: usd(50_000),
            note: String::new(),
            who: "Maud".to_owned(),
        };
        shop.ok(bring_in).await;
        let by_certificate =
            || ledger::sales::TenderIn::by_certificate(testkit::make::certificate(1).number, usd(1000));
        let kit = |tenders: Vec<ledger::sales::TenderIn>| {
            let shop = shop.clone();
            async move { shop.ok(NewSale { tenders, ..sale_of("KIT", 1000) }).await.id }
        };
        let owner = Key::new("owner", "1", b"").unwrap().sent_by(Actor {
            who: "Maud".to_owned(),
            role: Role::Owner,
            token: None,
        });
        // By card: back on the card, and cash only with an approval.
        let sold = kit(card(1000)).await;
        let refused = above(&shop, &request("1"), &back(sold, TenderKind::Cash, None)).await;
        assert_eq!((refused.limit, refused.asked.as_str()), (LimitName::RefundTender, "$10.00 by cash"));
        assert_eq!(refused.allowed, "card");
        approved(&shop, &people, "1", &back(sold, TenderKind::Cash, None)).await;
        let sold = kit(card(1000)).await;
        done(&shop, &request("2"), &back(sold, TenderKind::Card, None)).await;
        let sold = kit(card(1000)).await;
        done(&shop, &owner, &back(sold, TenderKind::Cash, None)).await;
        // By certificate: back on it.
        let paid = kit(vec![by_certificate()]).await;
        above(&shop, &request("3"), &back(paid, TenderKind::Cash, None)).await;
        above(&shop, &request("4"), &back(paid, TenderKind::GiftCertificate, Some(9))).await;
        done(&shop, &request("5"), &back(paid, TenderKind::GiftCertificate, Some(1))).await;
        // On account: what is owed is lowered, whatever was chosen for the rest.
        let owed = kit(vec![crate::sales::owed(1000)]).await;
        done(&shop, &request("6"), &back(owed, TenderKind::Cash, None)).await;
        audit::clean(&shop).await;
    });
}

async fn revision(shop: &Shop, basket: BasketId) -> i64 {
    shop.ledger.basket(basket).await.unwrap().revision
}

#[test]
fn a_discount_on_the_current_sale_stays_approved_as_long_as_it_stays_as_it_is() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        let first = Some(BasketChange::Add { code: code("COWL"), quantity: None });
        let opened = OpenBasket { channel: Channel::store(), first, who: "Ash".to_owned() };
        let basket = shop.ok(opened).await;
        let of_line = |percent: &str| ChangeBasket {
            basket,
            revision: None,
            change: BasketChange::Line {
                line: 1,
                quantity: None,
                off: Some(Off::parse(percent, currency("USD")).unwrap()),
                reason: "moth hole".to_owned(),
            },
        };
        // It is refused where it is typed, and once approved the sale goes on to the end.
        let (refused, _) = approved(&shop, &people, "1", &of_line("40%")).await;
        assert_eq!(refused.asked, "40");
        let add = |sku: &str| ChangeBasket {
            basket,
            revision: None,
            change: BasketChange::Add { code: code(sku), quantity: None },
        };
        done(&shop, &request("2"), &add("KIT")).await;
        let held = |revision| HoldBasket { basket, revision, without: Vec::new(), who: "Ash".to_owned() };
        let hold = held(revision(&shop, basket).await);
        done(&shop, &request("3"), &hold).await;
        done(&shop, &request("4"), &ledger::sales::StopPaying { basket }).await;
        // More off, or the same off another line, is another matter.
        above(&shop, &request("5"), &of_line("41%")).await;
        let other = ChangeBasket {
            change: BasketChange::Line {
                line: 2,
                quantity: None,
                off: Some(Off::parse("40%", currency("USD")).unwrap()),
                reason: "moth hole".to_owned(),
            },
            ..of_line("40%")
        };
        above(&shop, &request("6"), &other).await;
        let whole = ChangeBasket {
            change: BasketChange::Discount {
                off: Some(Off::parse("10%", currency("USD")).unwrap()),
                reason: "friend".to_owned(),
            },
            ..of_line("40%")
        };
        above(&shop, &request("7"), &whole).await;
        let hold = held(revision(&shop, basket).await);
        done(&shop, &request("8"), &hold).await;
        let due = shop.ledger.basket(basket).await.unwrap().due;
        let pay = ledger::sales::PayBasket {
            basket,
            due,
            left: None,
            tender: ledger::sales::TenderIn::plain(TenderKind::Cash, due),
            who: "Ash".to_owned(),
        };
        let paid = done(&shop, &request("9"), &pay).await;
        let sale = shop.ledger.sale(paid.sale.unwrap()).await.unwrap();
        assert!(sale.note.contains("approved by Maud"), "{}", sale.note);
        audit::clean(&shop).await;
    });
}

#[test]
fn wrong_tries_count_against_whoever_asks() {
    on_each(|shop| async move {
        let people = people(&shop).await;
        let count = || ledger::people::CountTry { of: TryOf::approval(people.ash) };
        for _ in 0..5 {
            shop.ok(count()).await;
        }
        let waits = shop.ledger.execute(None, &count()).await;
        assert!(matches!(
            waits,
            Err(ledger::CommandError::Rejected(rejection)) if matches!(*rejection, Rejection::TooOften { seconds: 1 })
        ));
        // Nobody else waits, and the approver's PIN and password are as they were.
        shop.ok(ledger::people::CountTry { of: TryOf::approval(people.bo) }).await;
        assert_eq!(shop.number("SELECT MAX(pin_failures) FROM person").await, 0);
        assert!(shop.ledger.pin_of(people.maud).await.unwrap().is_some());
        // In a day of trying there are about twenty tries.
        let mut tries = 5;
        let start = shop.ledger.now();
        while shop.ledger.now().millis() - start.millis() < DAY_MS {
            match shop.ledger.execute(None, &count()).await {
                Ok(_) => tries += 1,
                Err(_) => {
                    shop.clock.advance_millis(MINUTE_MS);
                }
            }
        }
        assert!((15..25).contains(&tries), "on {:?}: {tries}", shop.engine);
    });
}
