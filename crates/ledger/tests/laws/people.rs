//! Who has access: people and the last owner, sessions and their limits, tokens, devices, and the list of
//! who changed what.

use crate::expected::*;
use crate::harness::*;
use crate::make::*;
use domain::ids::{ActivityId, PersonId};
use domain::item::TextField;
use domain::people::Role;
use domain::stock::{ReturnDisposition, StockReason};
use ledger::keeping::{BeginShop, SetShop};
use ledger::people::{
    Activity, AddPerson, AddToken, By, EditPerson, EndDevice, EndPerson, EndToken, EnrolDevice, Phc,
    PinChange, SecretHash, SignIn, SignOut, TryFrom, TryOf,
};
use ledger::sales::VoidSale;
use ledger::shelf::{Counted, EditItem, PriceChange};

pub(crate) fn phc(of: &str) -> Phc {
    Phc::new(format!("$argon2id$v=19$m=19456,t=2,p=1$c2FsdA${of}")).unwrap()
}

pub(crate) fn person(name: &str, role: Role) -> AddPerson {
    let (name, password, who) = (name.to_owned(), phc(name), "Maud".to_owned());
    AddPerson { name, role, password, pin: Some(phc("pin")), who }
}

pub(crate) fn change(person: PersonId) -> EditPerson {
    EditPerson { person, role: None, password: None, pin: None, keep: None, who: "Maud".to_owned() }
}

fn ended(person: PersonId) -> EndPerson {
    EndPerson { person, who: "Maud".to_owned() }
}

pub(crate) fn sign_in(person: PersonId, password: Phc, cookie: &str) -> SignIn {
    SignIn {
        person,
        by: By::Password,
        checked: password,
        stronger: None,
        session: SecretHash::of(cookie),
        form_token: format!("form of {cookie}"),
        second: None,
        device: None,
        before: None,
        known: None,
        address: "::1".to_owned(),
        browser: "Firefox on Linux".to_owned(),
        tried: TryOf::password("Maud", &TryFrom::Stranger("::1")),
    }
}

/// The person of a cookie, as `name role`.
pub(crate) async fn who_is(shop: &Shop, cookie: &str) -> Option<String> {
    let session = shop.ledger.session(&SecretHash::of(cookie)).await.unwrap();
    session.map(|s| format!("{} {}", s.name, s.role))
}

pub(crate) async fn expect(shop: &Shop, cookie: &str, expected: Option<&str>, when: &str) {
    assert_eq!(who_is(shop, cookie).await.as_deref(), expected, "on {:?}, {when}", shop.engine);
}

#[test]
fn people_are_added_and_the_last_owner_stays() {
    on_each(|shop| async move {
        assert!(!shop.ledger.has_people().await.unwrap());
        shop.refuses(person("Ash", Role::Maker), invalid("role", PeopleReason::FirstIsOwner)).await;
        let maud = shop.ok(person(" Maud ", Role::Owner)).await;
        shop.refuses(
            person("MAUD", Role::Counter),
            invalid("name", PeopleReason::PersonExists { name: "MAUD".to_owned() }),
        )
        .await;
        shop.refuses(person("", Role::Counter), invalid("name", TextError::Empty)).await;
        shop.refuses(ended(maud), invalid("role", PeopleReason::LastOwner)).await;
        let less = EditPerson { role: Some(Role::Maker), ..change(maud) };
        shop.refuses(less.clone(), invalid("role", PeopleReason::LastOwner)).await;
        let ash = shop.ok(person("Ash", Role::Owner)).await;
        shop.ok(less).await;
        shop.refuses(ended(ash), invalid("role", PeopleReason::LastOwner)).await;
        shop.ok(ended(maud)).await;
        shop.refuses(ended(maud), none(Thing::Person)).await;
        let names: Vec<_> =
            shop.ledger.people().await.unwrap().into_iter().map(|p| (p.name, p.role)).collect();
        assert_eq!(names, [("Ash".to_owned(), Role::Owner)]);
        shop.ok(person("Maud", Role::Counter)).await;
        assert!(shop.ledger.password_of("mAUD ").await.unwrap().is_some());
        assert!(shop.ledger.password_of("Nobody").await.unwrap().is_none());
    });
}

/// Two owners who demote each other at once: one of them stays an owner.
#[test]
fn two_owners_cannot_end_each_other() {
    on_each(|shop| async move {
        for round in 0..8 {
            let one = shop.ok(person(&format!("one {round}"), Role::Owner)).await;
            let two = shop.ok(person(&format!("two {round}"), Role::Owner)).await;
            for other in shop.ledger.people().await.unwrap() {
                if ![one, two].contains(&other.id) {
                    shop.ok(ended(other.id)).await;
                }
            }
            let (first, second) = (ended(one), ended(two));
            let both = tokio::join!(shop.ledger.execute(None, &first), shop.ledger.execute(None, &second));
            assert!(both.0.is_ok() != both.1.is_ok(), "on {:?}: {both:?}", shop.engine);
            let owners = "SELECT COUNT(*) FROM person WHERE role = 'owner' AND ended_ms IS NULL";
            assert_eq!(shop.number(owners).await, 1);
        }
    });
}

#[test]
fn the_first_set_up_is_made_once() {
    on_each(|shop| async move {
        let begin = |name: &str, currency: &str| BeginShop {
            settings: vec![
                ("name".to_owned(), "Fold End".to_owned()),
                ("currency".to_owned(), currency.to_owned()),
                ("zone".to_owned(), "Europe/London".to_owned()),
            ],
            owner: person(name, Role::Counter),
        };
        shop.refuses(
            begin("Maud", "pounds"),
            invalid("currency", MoneyError::UnknownCurrency { code: "pounds".to_owned() }),
        )
        .await;
        shop.refuses(begin("", "GBP"), invalid("owner", TextError::Empty)).await;
        let (first, second) = (begin("Maud", "GBP"), begin("Ash", "EUR"));
        let both = tokio::join!(shop.ledger.execute(None, &first), shop.ledger.execute(None, &second));
        assert!(both.0.is_ok() != both.1.is_ok(), "on {:?}: {both:?}", shop.engine);
        let people = shop.ledger.people().await.unwrap();
        assert_eq!((people.len(), people[0].role), (1, Role::Owner));
        let now = shop.ledger.shop();
        let currency = if both.0.is_ok() { "GBP" } else { "EUR" };
        assert_eq!((now.name.as_str(), now.currency.to_string().as_str()), ("Fold End", currency));
        shop.refuses(begin("Rowan", "GBP"), invalid("name", ShopReason::AlreadySetUp)).await;
    });
}

// OWASP ASVS 5.0.0, 7.2.4, 7.3.1, 7.3.2, 7.4.1.
#[test]
fn a_session_ends_by_idleness_by_age_and_by_leaving() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        shop.ok(sign_in(maud, phc("Maud"), "one")).await;
        expect(&shop, "one", Some("Maud owner"), "signed in").await;
        expect(&shop, "two", None, "another cookie").await;
        shop.clock.advance_millis(By::Password.idle_ms() - 1);
        expect(&shop, "one", Some("Maud owner"), "just before the idle limit").await;
        shop.clock.advance_millis(By::Password.idle_ms());
        expect(&shop, "one", None, "at the idle limit").await;
        shop.ok(SignIn { before: Some(SecretHash::of("one")), ..sign_in(maud, phc("Maud"), "two") }).await;
        let began = shop.ledger.now();
        assert_eq!(shop.number("SELECT COUNT(*) FROM session").await, 1, "the one before is gone");
        while shop.ledger.now().millis() - began.millis() < By::Password.lasts_ms() - HOUR_MS {
            shop.clock.advance_millis(HOUR_MS);
            expect(&shop, "two", Some("Maud owner"), "in use").await;
        }
        shop.clock.advance_millis(HOUR_MS);
        expect(&shop, "two", None, "at its age").await;
        shop.ok(sign_in(maud, phc("Maud"), "three")).await;
        assert_eq!(shop.number("SELECT COUNT(*) FROM session").await, 1, "what is over is swept");
        shop.ok(SignOut { session: SecretHash::of("three") }).await;
        expect(&shop, "three", None, "left").await;
        shop.ok(SignOut { session: SecretHash::of("three") }).await;
    });
}

#[test]
fn last_seen_is_written_once_a_minute() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        shop.ok(sign_in(maud, phc("Maud"), "one")).await;
        let seen = "SELECT seen_ms FROM session";
        let first = shop.number(seen).await;
        for (wait, expected) in [(59_999, 0), (1, 60_000), (30_000, 60_000), (30_000, 120_000)] {
            shop.clock.advance_millis(wait);
            expect(&shop, "one", Some("Maud owner"), "in use").await;
            assert_eq!(shop.number(seen).await - first, expected, "on {:?}", shop.engine);
        }
    });
}

// OWASP ASVS 5.0.0, 7.4.2, 7.4.3.
#[test]
fn whoever_is_ended_or_changed_is_out_at_once() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let ash = shop.ok(person("Ash", Role::Maker)).await;
        shop.ok(sign_in(ash, phc("Ash"), "here")).await;
        shop.ok(sign_in(ash, phc("Ash"), "there")).await;
        shop.ok(sign_in(maud, phc("Maud"), "maud")).await;
        shop.ok(EditPerson { role: Some(Role::Counter), ..change(ash) }).await;
        expect(&shop, "here", Some("Ash counter"), "a role counts from the next request").await;
        let keep = shop.ledger.session(&SecretHash::of("here")).await.unwrap().map(|s| s.id);
        let new = EditPerson { password: Some(phc("new")), keep, ..change(ash) };
        shop.ok(new).await;
        expect(&shop, "here", Some("Ash counter"), "where the password was changed").await;
        expect(&shop, "there", None, "elsewhere").await;
        shop.refuses(sign_in(ash, phc("Ash"), "late"), none(Thing::Person)).await;
        shop.ok(ended(ash)).await;
        expect(&shop, "here", None, "ended").await;
        expect(&shop, "maud", Some("Maud owner"), "not Ash").await;
        shop.refuses(sign_in(ash, phc("new"), "late"), none(Thing::Person)).await;
    });
}

#[test]
fn a_pin_opens_for_a_shorter_time_and_on_its_device_alone() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let enrol = |name: &str| EnrolDevice {
            name: name.to_owned(),
            secret: SecretHash::of(name),
            who: "Maud".to_owned(),
        };
        let tablet = shop.ok(enrol("Tablet")).await;
        shop.refuses(
            enrol("TABLET"),
            invalid("name", PeopleReason::DeviceExists { name: "TABLET".to_owned() }),
        )
        .await;
        let by_pin =
            |cookie: &str| SignIn { by: By::Pin, device: Some(tablet), ..sign_in(maud, phc("pin"), cookie) };
        shop.ok(by_pin("pin")).await;
        shop.refuses(SignIn { checked: phc("other"), ..by_pin("x") }, none(Thing::Person)).await;
        let found = shop.ledger.device(&SecretHash::of("Tablet")).await.unwrap().map(|d| d.id);
        assert_eq!(found, Some(tablet));
        shop.clock.advance_millis(By::Pin.idle_ms() - 1);
        expect(&shop, "pin", Some("Maud owner"), "just before the idle limit").await;
        shop.clock.advance_millis(By::Pin.idle_ms());
        expect(&shop, "pin", None, "at the idle limit").await;
        shop.ok(by_pin("again")).await;
        shop.ok(sign_in(maud, phc("Maud"), "password")).await;
        shop.ok(EditPerson { pin: Some(PinChange::New(phc("pin2"))), ..change(maud) }).await;
        expect(&shop, "again", None, "by the old PIN").await;
        expect(&shop, "password", Some("Maud owner"), "by password").await;
        shop.ok(SignIn { checked: phc("pin2"), ..by_pin("third") }).await;
        shop.ok(EndDevice { device: tablet, who: "Maud".to_owned() }).await;
        expect(&shop, "third", None, "the device was ended").await;
        assert_eq!(shop.ledger.device(&SecretHash::of("Tablet")).await.unwrap(), None);
        shop.ok(EditPerson { pin: Some(PinChange::Gone), ..change(maud) }).await;
        assert!(shop.ledger.people().await.unwrap().iter().all(|p| !p.has_pin));
        shop.refuses(EndDevice { device: tablet, who: String::new() }, none(Thing::Device)).await;
    });
}

#[test]
fn a_token_works_until_its_end() {
    on_each(|shop| async move {
        let add = |jti: &str, name: &str, ms: i64| AddToken {
            jti: jti.to_owned(),
            name: name.to_owned(),
            role: Role::Maker,
            until: shop.ledger.now().plus_millis(ms),
            who: "Maud".to_owned(),
        };
        shop.refuses(add("j0", "Late", 0), invalid("until", PeopleReason::TokenEndsInPast)).await;
        shop.ok(add("j1", "Printer", DAY_MS)).await;
        shop.refuses(
            add("j2", "printer", DAY_MS),
            invalid("name", PeopleReason::TokenExists { name: "printer".to_owned() }),
        )
        .await;
        let name =
            async |jti: &str| shop.ledger.token(jti).await.unwrap().map(|t| format!("{} {}", t.name, t.role));
        assert_eq!(name("j1").await.as_deref(), Some("Printer maker"));
        assert_eq!(name("j2").await, None);
        shop.clock.advance_millis(DAY_MS);
        assert_eq!(name("j1").await, None, "its time is over");
        let end = |name: &str| EndToken { name: name.to_owned(), who: "Maud".to_owned() };
        shop.ok(end(" PRINTER")).await;
        shop.ok(add("j3", "Printer", DAY_MS)).await;
        assert_eq!(shop.ledger.tokens().await.unwrap().len(), 1);
        shop.ok(end("Printer")).await;
        assert_eq!(name("j3").await, None, "it was ended");
        shop.refuses(end("Printer"), no_such(Thing::Token, "Printer")).await;
    });
}

/// The list, oldest first, as `who act what detail`.
async fn listed(shop: &Shop) -> Vec<String> {
    let mut rows = shop.ledger.activity(None, 100).await.unwrap();
    rows.reverse();
    rows.iter()
        .map(|r| format!("{} {} {} {}", r.who, r.act.code(), r.what, r.detail).trim_end().to_owned())
        .collect()
}

#[test]
fn the_list_says_who_changed_what() {
    on_each(|shop| async move {
        shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", None)).await;
        shop.ok(add(vec![piece("p1", 4500), counted("c1", "5", 200)])).await;
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        shop.ok(EditItem { price: Some(PriceChange::Hand(usd(5000))), ..edit("p1") }).await;
        shop.ok(EditItem { text: to([(TextField::Name, "Cowl")]), ..edit("p1") }).await;
        shop.ok(add(vec![piece("p1", 4800)])).await;
        shop.ok(style("ridge beanie", "8.00", "ONZ", "five", Some(2000))).await;
        shop.ok(adjust("c1", Counted::Less(asked("1"), StockReason::Gift))).await;
        let name = SetShop { key: "name".to_owned(), value: "Fold End".to_owned(), who: "Maud".to_owned() };
        shop.ok(name).await;
        let sold = shop.ok(sale_of("p1", 4800)).await;
        shop.ok(part(sold.id, sold.lines[0].id, None, ReturnDisposition::Shelf)).await;
        let wrong = shop.ok(sale_of("c1", 200)).await;
        shop.ok(VoidSale { sale: wrong.id, reason: "wrong kit".to_owned(), who: "Ash".to_owned() }).await;
        shop.ok(EditPerson { password: Some(phc("new")), ..change(maud) }).await;
        let (sold, wrong) = (sold.id, wrong.id);
        let expected = [
            "Maud person-added Maud owner".to_owned(),
            "maker price p1 $45.00 → $50.00, price override".to_owned(),
            "maker correction p1 name Item p1 → Cowl".to_owned(),
            "maker price p1 $50.00 → $48.00, price override".to_owned(),
            "maker rate ridge beanie $7.50 an ounce, rounded to the nearest $1 → $8.00 an ounce, rounded to the nearest \
             $0.05, minimum $20.00"
                .to_owned(),
            "maker stock c1 gift 1; as told".to_owned(),
            "Maud setting name Our farm → Fold End".to_owned(),
            format!("counter refund {sold} $48.00 refunded; did not fit"),
            format!("Ash void {wrong} wrong kit"),
            "Maud person-password Maud".to_owned(),
        ];
        assert_eq!(listed(&shop).await, expected, "on {:?}", shop.engine);
        let page = shop.ledger.activity(None, 2).await.unwrap();
        let next = shop.ledger.activity(page.last().map(|r| r.id), 100).await.unwrap();
        assert_eq!((page.len(), next.len()), (2, expected.len() - 2));
        assert!(shop.ledger.activity(Some(ActivityId::from_raw(1)), 9).await.unwrap().is_empty());
        assert_eq!(Activity::ALL.len(), 40);
    });
}
