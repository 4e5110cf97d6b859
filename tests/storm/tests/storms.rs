//! Storms of the live sync, from seeds.
//!
//! `FLEECEFOLD_STORMS` is their number (default 500), `FLEECEFOLD_STORM_SEED` the first seed (default 1). They
//! are divided over the shops, each with the same seeds; `FLEECEFOLD_STORM_SHOP` names one (pretend, rooms,
//! lots or plates) for all of them. One in ten is on PostgreSQL with two senders;
//! `FLEECEFOLD_TEST_ENGINES=sqlite` leaves those out.

use std::sync::Mutex;
use std::sync::atomic::{AtomicU64, Ordering};
use storm::{Broken, Engine, Report, ShopKind, Storm, Template};

/// The storms of a normal run.
const STORMS: u64 = 500;
const FIRST: u64 = 1;
/// One of this many storms is on PostgreSQL.
const ONE_IN: u64 = 10;
/// Storms at the same time. Each waits for the loopback now and then.
const AT_ONCE: usize = 3;
/// Seeds within which a fault on purpose must be found, and one that exists from the first order on.
const FOUND_WITHIN: u64 = 60;
const FOUND_SOON: u64 = 12;

fn number(name: &str, usual: u64) -> u64 {
    match std::env::var(name) {
        Ok(text) => text.parse().unwrap_or_else(|_| panic!("{name} is a number, not “{text}”")),
        Err(_) => usual,
    }
}

fn has(engine: Engine) -> bool {
    let named = std::env::var("FLEECEFOLD_TEST_ENGINES").ok();
    !matches!(
        (named.as_deref(), engine),
        (Some("sqlite"), Engine::Postgres) | (Some("postgres"), Engine::Sqlite)
    )
}

fn engine_of(seed: u64) -> Engine {
    let wanted = if seed.is_multiple_of(ONE_IN) { Engine::Postgres } else { Engine::Sqlite };
    let other = if wanted == Engine::Sqlite { Engine::Postgres } else { Engine::Sqlite };
    if has(wanted) { wanted } else { other }
}

fn shops() -> Vec<ShopKind> {
    match std::env::var("FLEECEFOLD_STORM_SHOP") {
        Err(_) => ShopKind::ALL.to_vec(),
        Ok(name) => {
            let names = || ShopKind::ALL.map(ShopKind::name).join(", ");
            let named = ShopKind::named(&name);
            vec![named.unwrap_or_else(|| panic!("FLEECEFOLD_STORM_SHOP is one of {}, not “{name}”", names()))]
        }
    }
}

fn alone<T>(future: impl Future<Output = T>) -> T {
    tokio::runtime::Builder::new_current_thread().enable_all().build().unwrap().block_on(future)
}

fn templates() -> Vec<(Engine, Template)> {
    let engines = [Engine::Sqlite, Engine::Postgres].into_iter().filter(|engine| has(*engine));
    engines.map(|engine| (engine, alone(Template::make(engine)).unwrap_or_else(|e| panic!("{e}")))).collect()
}

fn template(of: &[(Engine, Template)], engine: Engine) -> &Template {
    &of.iter().find(|(made, _)| *made == engine).expect("a template of each engine").1
}

/// Runs storms until all are done; returns what was wrong in which.
fn run(storms: &[Storm]) -> (Report, Vec<(Storm, String)>) {
    let templates = templates();
    let (next, wrong) = (AtomicU64::new(0), Mutex::new(Vec::new()));
    let all = Mutex::new(Report::default());
    std::thread::scope(|scope| {
        for _ in 0..AT_ONCE {
            scope.spawn(|| {
                while let Some(storm) =
                    storms.get(usize::try_from(next.fetch_add(1, Ordering::SeqCst)).unwrap())
                {
                    match alone(storm.run(template(&templates, storm.engine))) {
                        Ok(report) => add(&mut all.lock().unwrap(), report),
                        Err(trouble) => wrong.lock().unwrap().push((*storm, trouble.to_string())),
                    }
                }
            });
        }
    });
    (all.into_inner().unwrap(), wrong.into_inner().unwrap())
}

fn add(all: &mut Report, one: Report) {
    all.sold += one.sold;
    all.bought += one.bought;
    all.short += one.short;
    all.faults += one.faults;
    all.taken += one.taken;
    all.stale += one.stale;
    all.hooks += one.hooks;
    all.deaths += one.deaths;
    all.jumps += one.jumps;
    all.put_back += one.put_back;
    all.parked += one.parked;
}

#[test]
fn after_every_storm_both_shops_agree() {
    let (count, first) = (number("FLEECEFOLD_STORMS", STORMS), number("FLEECEFOLD_STORM_SEED", FIRST));
    let shops = shops();
    let each = u64::try_from(shops.len()).unwrap();
    let storm = |at: u64| {
        let (seed, shop) = (first + at / each, shops[usize::try_from(at % each).unwrap()]);
        Storm { seed, engine: engine_of(seed), shop, broken: Broken::No }
    };
    let storms: Vec<Storm> = (0..count).map(storm).collect();
    let (all, wrong) = run(&storms);
    println!("{count} storms from seed {first}: {all:?}");
    let told: Vec<String> = wrong
        .iter()
        .map(|(storm, words)| {
            format!(
                "{} seed {} on {:?}; alone: FLEECEFOLD_STORM_SHOP={} FLEECEFOLD_STORMS=1 \
                 FLEECEFOLD_STORM_SEED={} tests/run --only test -- -p storm after_every_storm\n{words}",
                storm.shop.name(),
                storm.seed,
                storm.engine,
                storm.shop.name(),
                storm.seed
            )
        })
        .collect();
    assert!(wrong.is_empty(), "{} of {count} storms:\n\n{}", wrong.len(), told.join("\n\n"));
    if count >= STORMS && shops.len() == ShopKind::ALL.len() {
        // Storms in which nothing happens prove nothing.
        for (what, times) in [
            ("sales", all.sold),
            ("orders", all.bought),
            ("short lines", all.short),
            ("faults", all.faults),
            ("messages", all.taken),
            ("stale messages", all.stale),
            ("hooks", all.hooks),
            ("deaths", all.deaths),
            ("jumps", all.jumps),
            ("shops put back", all.put_back),
        ] {
            assert!(times >= count / 10, "{times} {what} in {count} storms");
        }
    }
}

#[test]
fn what_is_broken_is_found() {
    let check = |broken: Broken, (shop, within): (ShopKind, u64), expected: &str| {
        let engine = if has(Engine::Sqlite) { Engine::Sqlite } else { Engine::Postgres };
        let storms: Vec<Storm> = (1..=within).map(|seed| Storm { seed, engine, shop, broken }).collect();
        let (_, wrong) = run(&storms);
        let found = wrong.iter().filter(|(_, words)| words.contains(expected)).count();
        println!("{broken:?} at {}: found in {found} of {within} storms", shop.name());
        assert!(found > 0, "{broken:?} was never found; wrong was: {wrong:?}");
    };
    let untold = "on the shelf";
    check(Broken::SaysYesAndDoesNothing, (ShopKind::Pretend, FOUND_WITHIN), untold);
    check(Broken::SaysYesAndDoesNothing, (ShopKind::Rooms, FOUND_WITHIN), untold);
    check(Broken::SaysYesAndDoesNothing, (ShopKind::Lots, FOUND_WITHIN), untold);
    check(Broken::MakesTwice, (ShopKind::Plates, FOUND_SOON), "listed 2 times");
    check(Broken::StaleOverwrites, (ShopKind::Pretend, FOUND_WITHIN), untold);
    for shop in ShopKind::ALL {
        check(Broken::OrdersTwice, (shop, FOUND_SOON), "is in the books, and the shop has none such");
        check(Broken::OrdersLost, (shop, FOUND_SOON), "at the shop and OrderCancelled in the books");
    }
}
