//! Proving one's identity: attempts and waits, PINs that are disabled by guessing, the second factor,
//! confirming with the password, the list of one's sessions.

use crate::expected::*;
use crate::harness::*;
use crate::people::{change, expect, person, phc, sign_in};
use domain::ids::{DeviceId, PersonId, SessionId};
use domain::people::Role;
use ledger::people::{
    BeginStep, By, CONFIRMED_FOR_MS, Confirm, CountCode, CountTry, EditPerson, EndPerson, EndSession,
    KNOWN_FOR_MS, Known, MAX_CODE_FAILURES, MAX_PIN_FAILURES, OfferSecondFactor, PinChange,
    RenewRecoveryCodes, STEP_LASTS_MS, SecondProof, SecretHash, SignIn, SignOutEverywhere, TryFrom, TryOf,
    TryPin, TurnOffSecondFactor, TurnOnSecondFactor,
};
use ledger::{CommandError, Rejection};

const SECOND_MS: i64 = 1000;
const MINUTE_MS: i64 = 60 * SECOND_MS;
const TABLET: DeviceId = DeviceId::from_raw(7);

fn from(network: &str, name: &str) -> CountTry {
    CountTry { of: TryOf::password(name, &TryFrom::Stranger(network)) }
}

/// The result of an attempt: 0 if it may go on, or else the seconds to wait.
async fn tried(shop: &Shop, count: &CountTry) -> i64 {
    match shop.ledger.execute(None, count).await {
        Ok(_) => 0,
        Err(CommandError::Rejected(rejection)) => match *rejection {
            Rejection::TooOften { seconds } => seconds,
            other => panic!("{other}"),
        },
        Err(other) => panic!("{other}"),
    }
}

// Counted by account, waits that double: NIST SP 800-63B revision 3, 5.2.2; OWASP Authentication cheat
// sheet.
#[test]
fn tries_are_counted_by_account_and_network_with_waits_of_at_most_a_minute() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let (stranger, home) = (from("192.0.2.1", "Maud"), from("192.0.2.9", "maud "));
        for failure in 1..=5 {
            assert_eq!(tried(&shop, &stranger).await, 0, "failure {failure}");
        }
        for wait in [1, 2, 4, 8, 16, 32, 60, 60] {
            assert_eq!(tried(&shop, &stranger).await, wait, "on {:?}", shop.engine);
            assert_eq!(tried(&shop, &from("192.0.2.1", "MAUD")).await, wait, "however it is written");
            assert_eq!(tried(&shop, &home).await, 0, "from another network");
            let cookie = format!("{}", shop.ledger.now());
            shop.ok(SignIn { tried: home.of.clone(), ..sign_in(maud, phc("Maud"), &cookie) }).await;
            shop.clock.advance_millis(wait * SECOND_MS - 1);
            assert_eq!(tried(&shop, &stranger).await, 1, "a moment too early");
            shop.clock.advance_millis(1);
            assert_eq!(tried(&shop, &stranger).await, 0, "after the wait");
        }
        shop.clock.advance_millis(MINUTE_MS);
        shop.ok(SignIn { tried: stranger.of.clone(), ..sign_in(maud, phc("Maud"), "in") }).await;
        for failure in 1..=5 {
            assert_eq!(tried(&shop, &stranger).await, 0, "failure {failure} after a success");
        }
        assert_eq!(tried(&shop, &stranger).await, 1);
        shop.clock.advance_millis(25 * HOUR_MS);
        assert_eq!(tried(&shop, &from("::1", "Ash")).await, 0);
        let kept = shop.number("SELECT COUNT(*) FROM sign_in_try").await;
        assert_eq!(kept, 3, "what is a day old is forgotten");
    });
}

#[test]
fn a_hundred_tries_at_once_are_no_way_around() {
    on_each(|shop| async move {
        let mut tries = tokio::task::JoinSet::new();
        for _ in 0..100 {
            let shop = shop.clone();
            tries.spawn(async move { tried(&shop, &from("192.0.2.1", "Maud")).await });
        }
        let waits = tries.join_all().await;
        assert_eq!(waits.iter().filter(|w| **w == 0).count(), 5, "on {:?}: {waits:?}", shop.engine);
    });
}

#[test]
fn an_address_may_fail_more_often_and_a_success_wipes_nothing_of_it() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let at = |n: usize| from("192.0.2.1", &format!("name {n}"));
        for n in 0..20 {
            if n % 3 == 0 {
                let own = from("192.0.2.1", "Maud");
                assert_eq!(tried(&shop, &own).await, 0, "{n}");
                shop.ok(SignIn { tried: own.of, ..sign_in(maud, phc("Maud"), &format!("in {n}")) }).await;
            }
            assert_eq!(tried(&shop, &at(n)).await, 0, "{n}");
        }
        assert_eq!(tried(&shop, &at(20)).await, 1);
        assert_eq!(tried(&shop, &from("192.0.2.1", "Maud")).await, 1, "whose success it was waits too");
        assert_eq!(tried(&shop, &from("192.0.2.2", "name 20")).await, 0, "from another address");
    });
}

// “No more than 100” consecutive failures on one account: NIST SP 800-63B revision 3, 5.2.2.
#[test]
fn many_networks_together_are_slowed_down_and_known_browsers_are_not() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        for n in 0..100 {
            assert_eq!(tried(&shop, &from(&format!("192.0.2.{n}"), "Maud")).await, 0, "{n}");
        }
        for round in 0..20 {
            let wait = tried(&shop, &from(&format!("198.51.100.{round}"), "Maud")).await;
            assert!((1..=10).contains(&wait), "on {:?}: {wait}", shop.engine);
            shop.clock.advance_millis(wait * SECOND_MS);
            assert_eq!(tried(&shop, &from(&format!("203.0.113.{round}"), "Maud")).await, 0);
        }
        let browser = SecretHash::of("browser");
        let known = CountTry { of: TryOf::password("Maud", &TryFrom::Known(&browser)) };
        let device = CountTry { of: TryOf::password("Maud", &TryFrom::Device(TABLET)) };
        assert_eq!((tried(&shop, &known).await, tried(&shop, &device).await), (0, 0));
        shop.ok(SignIn { tried: known.of.clone(), ..sign_in(maud, phc("Maud"), "in") }).await;
        for _ in 0..5 {
            assert_eq!(tried(&shop, &known).await, 0);
        }
        assert_eq!(tried(&shop, &known).await, 1, "a known browser has a count too");
        assert_eq!(tried(&shop, &from("192.0.2.200", "Ash")).await, 0, "another account");
    });
}

#[test]
fn a_browser_is_known_by_its_last_cookie_to_whom_it_was_signed_in_as() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let ash = shop.ok(person("Ash", Role::Maker)).await;
        let signed = |person: PersonId, name: &str, cookie: &str, before: Option<&str>| SignIn {
            known: Some(Known { cookie: SecretHash::of(cookie), before: before.map(SecretHash::of) }),
            ..sign_in(person, phc(name), cookie)
        };
        let knows = async |cookie: &str, name: &str| {
            shop.ledger.knows_browser(&SecretHash::of(cookie), name).await.unwrap()
        };
        shop.ok(signed(maud, "Maud", "one", Some("planted"))).await;
        assert!(
            knows("one", " MAUD ").await && !knows("one", "Ash").await && !knows("planted", "Maud").await
        );
        shop.ok(signed(ash, "Ash", "two", Some("one"))).await;
        assert!(knows("two", "Maud").await && knows("two", "Ash").await && !knows("one", "Maud").await);
        for n in 0..25 {
            shop.clock.advance_millis(1);
            shop.ok(signed(maud, "Maud", &format!("many {n}"), None)).await;
        }
        assert_eq!(
            shop.number("SELECT COUNT(*) FROM known_browser").await,
            21,
            "twenty of Maud's, one of Ash's"
        );
        assert!(knows("many 24", "Maud").await && !knows("two", "Maud").await && knows("two", "Ash").await);
        shop.ok(EditPerson { password: Some(phc("new")), ..change(maud) }).await;
        assert!(!knows("many 24", "Maud").await, "another password");
        shop.clock.advance_millis(KNOWN_FOR_MS);
        assert!(!knows("two", "Ash").await, "long ago");
    });
}

/// Whether a PIN may be checked.
async fn pin_tried(shop: &Shop, person: PersonId) -> bool {
    let pin = TryPin { person, of: TryOf::pin(person, TABLET) };
    loop {
        match shop.ledger.execute(None, &pin).await {
            Ok(done) => return done.answer.is_some(),
            Err(CommandError::Rejected(rejection)) => match *rejection {
                Rejection::TooOften { seconds } => shop.clock.advance_millis(seconds * SECOND_MS),
                other => panic!("{other}"),
            },
            Err(other) => panic!("{other}"),
        }
    }
}

// OWASP ASVS 5.0.0, 6.3.1.
#[test]
fn a_pin_is_dead_after_ten_failures_until_the_password_is_used() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        for (round, used) in [("by password", 0), ("by a new PIN", 1)] {
            for n in used..MAX_PIN_FAILURES {
                assert!(pin_tried(&shop, maud).await, "{round} {n}");
            }
            assert!(!pin_tried(&shop, maud).await, "on {:?}", shop.engine);
            assert!(shop.ledger.people().await.unwrap()[0].is_pin_dead);
            shop.clock.advance_millis(48 * HOUR_MS);
            assert!(!pin_tried(&shop, maud).await, "time brings nothing back");
            if round == "by password" {
                shop.ok(sign_in(maud, phc("Maud"), "in")).await;
            } else {
                shop.ok(EditPerson { pin: Some(PinChange::New(phc("pin"))), ..change(maud) }).await;
            }
            assert!(pin_tried(&shop, maud).await, "{round} it is alive");
        }
        assert!(!pin_tried(&shop, PersonId::from_raw(1)).await, "nobody's");
    });
}

#[test]
fn fifty_pins_at_once_are_no_way_around() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let mut tries = tokio::task::JoinSet::new();
        for device in 0..50 {
            let shop = shop.clone();
            let of = TryOf::pin(maud, DeviceId::from_raw(device));
            tries.spawn(async move {
                shop.ledger.execute(None, &TryPin { person: maud, of }).await.unwrap().answer.is_some()
            });
        }
        let looked = tries.join_all().await.into_iter().filter(|is| *is).count();
        assert_eq!(i64::try_from(looked), Ok(MAX_PIN_FAILURES), "on {:?}", shop.engine);
    });
}

/// A new owner's PIN is removed: its number of digits is unknown.
#[test]
fn whoever_becomes_an_owner_sets_a_new_pin() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let ash = shop.ok(person("Ash", Role::Counter)).await;
        shop.ok(EditPerson { role: Some(Role::Maker), ..change(ash) }).await;
        assert!(pin_tried(&shop, ash).await);
        shop.ok(EditPerson { role: Some(Role::Owner), ..change(ash) }).await;
        assert!(!pin_tried(&shop, ash).await && pin_tried(&shop, maud).await);
    });
}

fn code(step: i64) -> SecondProof {
    SecondProof::Code { step }
}

fn turn_on(person: PersonId, secret: &str, step: i64, codes: &[&str]) -> TurnOnSecondFactor {
    let codes = codes.iter().map(|code| SecretHash::of(code)).collect();
    TurnOnSecondFactor { person, secret: secret.to_owned(), step, codes, keep: None, who: "Maud".to_owned() }
}

async fn with_factor(shop: &Shop) -> PersonId {
    let maud = shop.ok(person("Maud", Role::Owner)).await;
    shop.ok(OfferSecondFactor { person: maud, secret: "KEY".to_owned() }).await;
    shop.ok(turn_on(maud, "KEY", 100, &["r1", "r2"])).await;
    maud
}

// OWASP ASVS 5.0.0, 6.5.1: a code works once, and so does a recovery code.
#[test]
fn whoever_has_a_second_factor_shows_it_and_each_code_once() {
    on_each(|shop| async move {
        let maud = with_factor(&shop).await;
        let with = |second: Option<SecondProof>, cookie: &str| SignIn {
            second,
            ..sign_in(maud, phc("Maud"), cookie)
        };
        shop.refuses(with(None, "none"), invalid("code", PeopleReason::WrongCode)).await;
        shop.refuses(with(Some(code(100)), "the first one again"), invalid("code", PeopleReason::WrongCode))
            .await;
        shop.ok(with(Some(code(101)), "one")).await;
        shop.refuses(with(Some(code(101)), "again"), invalid("code", PeopleReason::WrongCode)).await;
        shop.refuses(with(Some(code(99)), "an older one"), invalid("code", PeopleReason::WrongCode)).await;
        let recovery = |of: &str| Some(SecondProof::Recovery(SecretHash::of(of)));
        shop.ok(with(recovery("r1"), "two")).await;
        shop.refuses(with(recovery("r1"), "again"), invalid("code", PeopleReason::WrongCode)).await;
        shop.refuses(with(recovery("other"), "wrong"), invalid("code", PeopleReason::WrongCode)).await;
        assert_eq!(shop.ledger.second_factor(maud).await.unwrap().unwrap().codes_left, 1);
        let both = (with(Some(code(102)), "a"), with(Some(code(102)), "b"));
        let both = tokio::join!(shop.ledger.execute(None, &both.0), shop.ledger.execute(None, &both.1));
        assert!(both.0.is_ok() != both.1.is_ok(), "on {:?}: {both:?}", shop.engine);
        let ash = shop.ok(person("Ash", Role::Maker)).await;
        shop.refuses(
            SignIn { second: recovery("r2"), ..sign_in(ash, phc("Ash"), "another's") },
            invalid("code", PeopleReason::WrongCode),
        )
        .await;
    });
}

#[test]
fn a_second_factor_is_offered_turned_on_renewed_and_taken_away() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let who = || "Ash".to_owned();
        let factor = async || shop.ledger.second_factor(maud).await.unwrap();
        assert!(factor().await.is_none());
        let offer = |secret: &str| OfferSecondFactor { person: maud, secret: secret.to_owned() };
        shop.ok(offer("OLD")).await;
        shop.ok(offer("KEY")).await;
        shop.ok(sign_in(maud, phc("Maud"), "here")).await;
        shop.ok(sign_in(maud, phc("Maud"), "there")).await;
        shop.refuses(
            RenewRecoveryCodes { person: maud, codes: vec![], who: who() },
            invalid("code", PeopleReason::SecondFactorFirst),
        )
        .await;
        shop.refuses(turn_on(maud, "OLD", 1, &[]), invalid("code", PeopleReason::SecondFactorKeyExpired))
            .await;
        let here = shop.ledger.session(&SecretHash::of("here")).await.unwrap().unwrap().id;
        shop.ok(TurnOnSecondFactor { keep: Some(here), ..turn_on(maud, "KEY", 1, &["r1"]) }).await;
        expect(&shop, "here", Some("Maud owner"), "where it was turned on").await;
        expect(&shop, "there", None, "elsewhere").await;
        shop.refuses(offer("NEW"), invalid("code", PeopleReason::SecondFactorOn)).await;
        shop.refuses(turn_on(maud, "KEY", 2, &[]), invalid("code", PeopleReason::SecondFactorKeyExpired))
            .await;
        let codes = vec![SecretHash::of("r2"), SecretHash::of("r3")];
        shop.ok(RenewRecoveryCodes { person: maud, codes, who: who() }).await;
        let now = factor().await.unwrap();
        assert_eq!((now.is_on, now.is_locked, now.codes_left), (true, false, 2));
        assert!(shop.ledger.people().await.unwrap()[0].has_second_factor);
        shop.ok(TurnOffSecondFactor { person: maud, who: who() }).await;
        shop.refuses(
            TurnOffSecondFactor { person: maud, who: who() },
            invalid("name", PeopleReason::SecondFactorNotOn { name: "Maud".to_owned() }),
        )
        .await;
        assert_eq!(shop.number("SELECT COUNT(*) FROM recovery_code").await, 0);
        shop.ok(sign_in(maud, phc("Maud"), "without")).await;
        let acts: Vec<_> =
            shop.ledger.activity(None, 3).await.unwrap().into_iter().map(|r| r.act.code()).collect();
        assert_eq!(acts, ["second-factor-off", "recovery-codes", "second-factor-on"]);
        let ash = shop.ok(person("Ash", Role::Owner)).await;
        shop.ok(offer("KEY")).await;
        shop.ok(EndPerson { person: maud, who: "Ash".to_owned() }).await;
        assert!(factor().await.is_none() && ash != maud);
    });
}

#[test]
fn guessing_uses_the_codes_up_and_a_recovery_code_brings_them_back() {
    on_each(|shop| async move {
        let maud = with_factor(&shop).await;
        let mut tries = tokio::task::JoinSet::new();
        for _ in 0..MAX_CODE_FAILURES + 10 {
            let shop = shop.clone();
            tries.spawn(async move {
                shop.ledger.execute(None, &CountCode { person: maud }).await.unwrap().answer
            });
        }
        let looked = tries.join_all().await.into_iter().filter(|is| *is).count();
        assert_eq!(i64::try_from(looked), Ok(MAX_CODE_FAILURES), "on {:?}", shop.engine);
        assert!(shop.ledger.second_factor(maud).await.unwrap().unwrap().is_locked);
        let second = Some(SecondProof::Recovery(SecretHash::of("r1")));
        shop.ok(SignIn { second, ..sign_in(maud, phc("Maud"), "in") }).await;
        assert!(shop.ok(CountCode { person: maud }).await);
    });
}

#[test]
fn between_password_and_code_there_are_minutes() {
    on_each(|shop| async move {
        let maud = with_factor(&shop).await;
        let step = |cookie: &str| BeginStep {
            person: maud,
            checked: phc("Maud"),
            step: SecretHash::of(cookie),
            tried: TryOf::password("Maud", &TryFrom::Stranger("::1")),
        };
        let found = async |cookie: &str| {
            shop.ledger.sign_in_step(&SecretHash::of(cookie)).await.unwrap().map(|step| step.name)
        };
        shop.ok(step("one")).await;
        assert_eq!((found("one").await.as_deref(), found("other").await), (Some("Maud"), None));
        shop.clock.advance_millis(STEP_LASTS_MS);
        assert_eq!(found("one").await, None);
        for n in 0..12 {
            shop.clock.advance_millis(1);
            shop.ok(step(&format!("many {n}"))).await;
        }
        assert_eq!(shop.number("SELECT COUNT(*) FROM sign_in_step").await, 10);
        shop.ok(EditPerson { password: Some(phc("new")), ..change(maud) }).await;
        assert_eq!(found("many 11").await, None, "the password is another one");
    });
}

// OWASP ASVS 5.0.0, 7.2.4 and 7.5.1.
#[test]
fn a_session_is_fresh_for_minutes_after_the_password_was_given() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let session = async |cookie: &str| shop.ledger.session(&SecretHash::of(cookie)).await.unwrap();
        shop.ok(sign_in(maud, phc("Maud"), "one")).await;
        assert!(session("one").await.unwrap().is_fresh);
        shop.clock.advance_millis(CONFIRMED_FOR_MS - 1);
        assert!(session("one").await.unwrap().is_fresh);
        shop.clock.advance_millis(1);
        let stale = session("one").await.unwrap();
        assert!(!stale.is_fresh);
        let confirm = |session: SessionId, cookie: &str| Confirm {
            session,
            person: maud,
            cookie: SecretHash::of(cookie),
            checked: phc("Maud"),
            second: None,
            tried: TryOf::confirm(session),
        };
        shop.refuses(Confirm { checked: phc("old"), ..confirm(stale.id, "two") }, none(Thing::Person)).await;
        shop.refuses(confirm(SessionId::from_raw(1), "two"), none(Thing::Session)).await;
        shop.ok(confirm(stale.id, "two")).await;
        assert!(session("one").await.is_none(), "the cookie of before opens nothing");
        let fresh = session("two").await.unwrap();
        assert_eq!((fresh.is_fresh, fresh.id, &fresh.form_token), (true, stale.id, &stale.form_token));
        let by_pin =
            SignIn { by: By::Pin, device: Some(device(&shop).await), ..sign_in(maud, phc("pin"), "pin") };
        shop.ok(by_pin).await;
        let by_pin = session("pin").await.unwrap();
        assert!(!by_pin.is_fresh);
        shop.refuses(confirm(by_pin.id, "three"), none(Thing::Session)).await;
        shop.ok(OfferSecondFactor { person: maud, secret: "KEY".to_owned() }).await;
        let keep = Some(fresh.id);
        shop.ok(TurnOnSecondFactor { keep, ..turn_on(maud, "KEY", 5, &[]) }).await;
        shop.refuses(confirm(fresh.id, "four"), invalid("code", PeopleReason::WrongCode)).await;
        shop.ok(Confirm { second: Some(code(6)), ..confirm(fresh.id, "four") }).await;
        for _ in 0..5 {
            assert_eq!(tried(&shop, &CountTry { of: TryOf::confirm(fresh.id) }).await, 0);
        }
        assert_eq!(tried(&shop, &CountTry { of: TryOf::confirm(fresh.id) }).await, 1);
    });
}

async fn device(shop: &Shop) -> DeviceId {
    let (name, who) = ("Tablet".to_owned(), "Maud".to_owned());
    shop.ok(ledger::people::EnrolDevice { name, secret: SecretHash::of("tablet"), who }).await
}

// OWASP ASVS 5.0.0, 7.4.3 and 8.2.2.
#[test]
fn somebody_sees_and_ends_their_own_sessions_alone() {
    on_each(|shop| async move {
        let maud = shop.ok(person("Maud", Role::Owner)).await;
        let ash = shop.ok(person("Ash", Role::Maker)).await;
        let tablet = device(&shop).await;
        shop.ok(sign_in(maud, phc("Maud"), "one")).await;
        shop.ok(SignIn { by: By::Pin, device: Some(tablet), ..sign_in(maud, phc("pin"), "two") }).await;
        shop.ok(sign_in(ash, phc("Ash"), "ash")).await;
        let list = async |of: PersonId| shop.ledger.sessions(of).await.unwrap();
        let shown: Vec<_> =
            list(maud).await.into_iter().map(|s| (s.by, s.device, s.browser, s.address)).collect();
        let expected = |by: By, device: Option<&str>| {
            (by, device.map(str::to_owned), "Firefox on Linux".to_owned(), "::1".to_owned())
        };
        assert_eq!(shown, [expected(By::Pin, Some("Tablet")), expected(By::Password, None)]);
        let theirs = list(ash).await[0].id;
        shop.refuses(EndSession { person: maud, session: theirs }, none(Thing::Session)).await;
        let pin = list(maud).await[0].id;
        shop.ok(EndSession { person: maud, session: pin }).await;
        expect(&shop, "two", None, "signed out from the list").await;
        expect(&shop, "one", Some("Maud owner"), "the other").await;
        assert_eq!(shop.ok(SignOutEverywhere { person: maud }).await, 1);
        expect(&shop, "one", None, "everywhere").await;
        expect(&shop, "ash", Some("Ash maker"), "somebody else").await;
        for n in 0..55 {
            shop.ok(sign_in(maud, phc("Maud"), &format!("many {n}"))).await;
        }
        assert_eq!(list(maud).await.len(), 50);
        expect(&shop, "many 4", None, "the oldest make room").await;
        expect(&shop, "many 5", Some("Maud owner"), "of fifty").await;
        shop.clock.advance_millis(By::Password.idle_ms());
        assert!(list(maud).await.is_empty(), "what is over is not shown");
    });
}
