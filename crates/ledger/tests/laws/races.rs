//! Many at once: 64 tasks, half of them through a second process's view of the shop.

use crate::audit;
use crate::harness::{Shop, kind, on_each, open};
use crate::make::*;
use crate::sales::owed;
use domain::basket::TenderKind;
use domain::stock::ReturnDisposition;
use ledger::sales::{
    CloseDrawer, HoldBasket, NewSale, OpenDrawer, Pay, PayBasket, SaleDone, TenderIn, VoidSale,
};
use ledger::{Command, CommandError, Done, Key, Ledger, Rejection};
use std::collections::BTreeMap;
use std::sync::Arc;
use tokio::sync::Barrier;
use tokio::task::JoinSet;

const TASKS: usize = 64;

/// Runs one task for each number at the same moment, and returns the results.
pub(crate) async fn at_once<T, F, Fut>(count: usize, task: F) -> Vec<T>
where
    T: Send + 'static,
    F: Fn(usize) -> Fut,
    Fut: Future<Output = T> + Send + 'static,
{
    let gate = Arc::new(Barrier::new(count));
    let mut tasks = JoinSet::new();
    for number in 0..count {
        let (gate, work) = (Arc::clone(&gate), task(number));
        tasks.spawn(async move {
            gate.wait().await;
            work.await
        });
    }
    tasks.join_all().await
}

/// The two views that the tasks use in turn.
pub(crate) async fn views(shop: &Shop) -> [Ledger; 2] {
    [shop.ledger.clone(), open(&shop.url, shop.clock.clone()).await]
}

/// The answer or the rejection; a failure fails the test.
pub(crate) async fn outcome<C: Command>(
    ledger: Ledger,
    key: Option<Key>,
    command: C,
) -> Result<Done<C::Answer>, Rejection> {
    match ledger.execute(key.as_ref(), &command).await {
        Ok(done) => Ok(done),
        Err(CommandError::Rejected(rejection)) => Err(*rejection),
        Err(failure) => panic!("{}", crate::harness::in_full(&failure)),
    }
}

fn count_kinds<A>(outcomes: &[Result<A, Rejection>]) -> BTreeMap<String, usize> {
    let mut kinds = BTreeMap::new();
    for outcome in outcomes {
        *kinds.entry(outcome.as_ref().map_or_else(kind, |_| "done".to_owned())).or_default() += 1;
    }
    kinds
}

#[test]
fn the_last_piece_is_sold_to_one_of_many() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let views = views(&shop).await;
        let outcomes = at_once(TASKS, |n| outcome(views[n % 2].clone(), None, sale_of("p1", 100))).await;
        assert_eq!(
            count_kinds(&outcomes),
            BTreeMap::from([("already-sold".to_owned(), 63), ("done".to_owned(), 1)])
        );
        for rejection in outcomes.iter().filter_map(|o| o.as_ref().err()) {
            let Rejection::AlreadySold { sold, .. } = rejection else { panic!("{rejection}") };
            assert_eq!((sold.channel.as_str(), sold.receipt), ("store", Some(1)));
        }
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_basket_is_held_and_sold_by_one_of_many() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let views = views(&shop).await;
        let outcomes = at_once(TASKS, |n| {
            let ledger = views[n % 2].clone();
            // Both orders of the lines: no deadlock.
            let lines = if n % 3 == 0 { [("p1", "1"), ("p2", "1")] } else { [("p2", "1"), ("p1", "1")] };
            async move {
                let held = outcome(ledger.clone(), None, basket(&lines)).await?.answer;
                let both = sale(vec![goods("p1", "1"), goods("p2", "1")], cash(200));
                outcome(ledger, None, with_hold(both, held.id)).await
            }
        })
        .await;
        let kinds = count_kinds(&outcomes);
        assert_eq!(kinds["done"], 1, "{kinds:?}");
        assert!(kinds.keys().all(|k| ["done", "on-hold", "already-sold"].contains(&k.as_str())), "{kinds:?}");
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_piece_that_comes_back_is_sold_again_to_one() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100)])).await;
        let first = shop.ok(sale_of("p1", 100)).await;
        let views = views(&shop).await;
        let outcomes = at_once(TASKS, |n| {
            let (ledger, sale) = (views[n % 2].clone(), first.id);
            async move {
                if n % 4 == 0 {
                    outcome(ledger, None, whole(sale, ReturnDisposition::Shelf)).await.map(|_| "back")
                } else {
                    outcome(ledger, None, sale_of("p1", 100)).await.map(|_| "sold")
                }
            }
        })
        .await;
        let count = |what: &str| outcomes.iter().filter(|o| o.as_ref() == Ok(&what)).count();
        assert_eq!(count("back"), 1);
        assert!(count("sold") <= 1);
        let item = shop.ledger.item(&code("p1")).await.unwrap();
        assert_eq!(item.on_hand.stock_units() == 1, count("sold") == 0);
        for rejection in outcomes.iter().filter_map(|o| o.as_ref().err()) {
            assert!(["already-sold", "invalid"].contains(&kind(rejection).as_str()), "{rejection}");
        }
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

#[test]
fn counted_goods_and_parts_of_a_line_go_as_far_as_they_reach() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "40", 100), counted("c2", "10", 333)])).await;
        let sold = shop.ok(sale(vec![goods("c2", "10")], card(3330))).await;
        let views = views(&shop).await;
        let outcomes = at_once(TASKS, |n| outcome(views[n % 2].clone(), None, sale_of("c1", 100))).await;
        assert_eq!(
            count_kinds(&outcomes),
            BTreeMap::from([("done".to_owned(), 40), ("not-enough".to_owned(), 24)])
        );
        let (sale, line) = (sold.id, sold.lines[0].id);
        let outcomes = at_once(TASKS, |n| {
            outcome(views[n % 2].clone(), None, part(sale, line, Some("1"), ReturnDisposition::Shelf))
        })
        .await;
        let kinds = count_kinds(&outcomes);
        assert_eq!(kinds, BTreeMap::from([("done".to_owned(), 10), ("more-than-sold".to_owned(), 54)]));
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// Law 5: one key, one sale, one answer.
#[test]
fn the_same_key_many_times_is_one_sale() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 100), piece("p1", 100)])).await;
        let views = views(&shop).await;
        let key = |body: &[u8]| Some(Key::new("till POST /api/sales", "k-1", body).unwrap());
        let outcomes =
            at_once(TASKS, |n| outcome(views[n % 2].clone(), key(b"one kit"), sale_of("c1", 100))).await;
        let answers: Vec<&Done<SaleDone>> = outcomes.iter().map(|o| o.as_ref().unwrap()).collect();
        assert!(answers.iter().all(|a| a.answer == answers[0].answer));
        assert_eq!(answers.iter().filter(|a| !a.replayed).count(), 1);
        assert_eq!(shop.ledger.sales(None, 9).await.unwrap().len(), 1);
        let other = outcome(shop.ledger.clone(), key(b"two kits"), sale_of("c1", 100)).await.unwrap_err();
        assert_eq!(kind(&other), "key-reused");
        // A stored refusal stays, even if the piece is back.
        let sold = shop.ok(sale_of("p1", 100)).await;
        let second = || Key::new("till POST /api/sales", "k-2", b"p1").unwrap();
        for _ in 0..2 {
            let told = outcome(shop.ledger.clone(), Some(second()), sale_of("p1", 100)).await.unwrap_err();
            assert_eq!(kind(&told), "already-sold");
        }
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        let told = outcome(shop.ledger.clone(), Some(second()), sale_of("p1", 100)).await.unwrap_err();
        assert_eq!(kind(&told), "already-sold");
        // A temporary one is tried anew.
        let held = shop.ok(basket(&[("p1", "1")])).await;
        let third = || Some(Key::new("till POST /api/sales", "k-3", b"p1").unwrap());
        assert_eq!(
            kind(&outcome(shop.ledger.clone(), third(), sale_of("p1", 100)).await.unwrap_err()),
            "on-hold"
        );
        shop.ok(ledger::orders::EndHold { id: held.id }).await;
        assert!(!outcome(shop.ledger.clone(), third(), sale_of("p1", 100)).await.unwrap().replayed);
        // The scope is part of the key.
        let elsewhere = Some(Key::new("other POST /api/sales", "k-1", b"one kit").unwrap());
        assert!(!outcome(shop.ledger.clone(), elsewhere, sale_of("c1", 100)).await.unwrap().replayed);
        for wrong in ["", "a\nb", &"k".repeat(256)] {
            assert_eq!(kind(&Key::new("s", wrong, b"").unwrap_err()), "invalid");
        }
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// An unpaid sale is either paid or voided, whichever came first.
#[test]
fn a_payment_and_a_void_of_one_sale_never_both_end_well() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "99", 100)])).await;
        let views = views(&shop).await;
        for _ in 0..12 {
            let sold = shop.ok(sale(vec![goods("c1", "1")], vec![owed(100)])).await;
            let (sale, debt) = (sold.id, shop.ledger.sale(sold.id).await.unwrap().tenders[0].id);
            let outcomes = at_once(2, |n| {
                let ledger = views[n].clone();
                async move {
                    if n == 0 {
                        let pay = Pay {
                            tender: debt,
                            kind: TenderKind::Cash,
                            amount: usd(60),
                            certificate: None,
                            who: String::new(),
                        };
                        outcome(ledger, None, pay).await.map(|_| ())
                    } else {
                        let void = VoidSale { sale, reason: String::new(), who: String::new() };
                        outcome(ledger, None, void).await.map(|_| ())
                    }
                }
            })
            .await;
            assert_eq!(outcomes.iter().filter(|o| o.is_ok()).count(), 1, "{outcomes:?}");
        }
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// Sales, losses, items, settings and refunds at once: each succeeds or is refused.
#[test]
fn a_busy_hour_ends_in_clean_books() {
    on_each(|shop| async move {
        let mut stock: Vec<_> = (0..16).map(|n| piece(&format!("p{n}"), 100)).collect();
        stock.extend((0..4).map(|n| counted(&format!("c{n}"), "30", 100)));
        shop.ok(add(stock)).await;
        let views = views(&shop).await;
        let outcomes = at_once(TASKS, |n| {
            let ledger = views[n % 2].clone();
            async move {
                let mut kinds = Vec::new();
                for round in 0..3 {
                    let (p, c) = (format!("p{}", (n + round * 5) % 16), format!("c{}", (n + round) % 4));
                    kinds.push(busy(&ledger, n + round, &p, &c).await);
                }
                kinds
            }
        })
        .await;
        let done = outcomes.iter().flatten().filter(|k| k.as_str() == "done").count();
        assert!(done > TASKS, "{done} of {} ended well", TASKS * 3);
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

async fn busy(ledger: &Ledger, which: usize, p: &str, c: &str) -> String {
    let told = |result: Result<(), Rejection>| {
        result.map_or_else(|rejection| kind(&rejection), |()| "done".to_owned())
    };
    let ledger = ledger.clone();
    told(match which % 6 {
        0 => outcome(ledger, None, sale(vec![goods(p, "1"), goods(c, "1")], cash(200))).await.map(|_| ()),
        1 => outcome(ledger, None, sale(vec![goods(c, "2"), goods(p, "1")], cash(300))).await.map(|_| ()),
        2 => outcome(ledger, None, adjust(c, ledger::shelf::Counted::More(asked("1")))).await.map(|_| ()),
        3 => outcome(ledger, None, basket(&[(c, "1"), (p, "1")])).await.map(|_| ()),
        4 => {
            match outcome(ledger.clone(), None, NewSale { note: "back".to_owned(), ..sale_of(c, 100) }).await
            {
                Ok(sold) => {
                    outcome(ledger, None, whole(sold.answer.id, ReturnDisposition::Shelf)).await.map(|_| ())
                }
                Err(rejection) => Err(rejection),
            }
        }
        _ => {
            let fresh = (0..3).map(|n| counted(&format!("n{which}-{n}"), "2", 100)).collect();
            outcome(ledger, None, add(fresh)).await.map(|_| ())
        }
    })
}

/// A slip is paid at the counter, and the same piece is sold online at that moment.
#[test]
fn a_slip_and_an_online_sale_never_both_have_the_piece() {
    on_each(|shop| async move {
        let count = 24;
        shop.ok(add((0..count).map(|n| piece(&format!("p{n}"), 100)).collect())).await;
        let mut slips = Vec::new();
        for n in 0..count {
            slips.push(crate::counter::slip(&shop, &[&format!("p{n}")]).await);
        }
        let views = views(&shop).await;
        let outcomes = at_once(count * 2, |n| {
            let (ledger, basket) = (views[n % 2].clone(), slips[n / 2]);
            async move {
                if n % 2 == 0 {
                    let online =
                        NewSale { channel: channel("online"), ..sale_of(&format!("p{}", n / 2), 100) };
                    return outcome(ledger, None, online).await.map(|_| n);
                }
                let revision = ledger.basket(basket).await.unwrap().revision;
                let press = HoldBasket { basket, revision, without: Vec::new(), who: String::new() };
                outcome(ledger.clone(), None, press).await?;
                let tender = TenderIn::plain(TenderKind::Cash, usd(100));
                let pay = PayBasket { basket, due: usd(100), left: None, tender, who: String::new() };
                // Pressed twice at the same moment, without a key: rung up once.
                let (first, second) = tokio::join!(
                    outcome(ledger.clone(), None, pay.clone()),
                    outcome(ledger.clone(), None, pay)
                );
                let (first, second) = (first?.answer, second?.answer);
                assert_eq!((first.sale, first.rung_up ^ second.rung_up), (second.sale, true));
                Ok(n)
            }
        })
        .await;
        let kinds = count_kinds(&outcomes);
        assert_eq!(kinds["done"], count, "{kinds:?}");
        let had: std::collections::BTreeSet<usize> = outcomes.iter().flatten().map(|n| n / 2).collect();
        assert_eq!(had.len(), count, "each piece has gone to one of the two");
        let sales = shop.number("SELECT CAST(COUNT(*) AS BIGINT) FROM sale").await;
        assert_eq!(usize::try_from(sales).unwrap(), count);
        views[1].close().await;
        audit::clean(&shop).await;
    });
}

/// A drawer is closed while sales are made: everything booked in it was counted.
#[test]
fn a_drawer_is_closed_with_all_that_was_booked_in_it() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("c1", "1000", 100)])).await;
        let open = OpenDrawer { channel: channel("store"), counts: Vec::new(), who: String::new() };
        let turn = shop.ok(open).await;
        let views = views(&shop).await;
        at_once(TASKS, |n| {
            let ledger = views[n % 2].clone();
            async move {
                if n == TASKS / 2 {
                    let close =
                        CloseDrawer { turn, counts: Vec::new(), note: String::new(), who: String::new() };
                    outcome(ledger, None, close).await.map(|_| ()).unwrap();
                } else {
                    outcome(ledger, None, sale_of("c1", 100)).await.map(|_| ()).unwrap();
                }
            }
        })
        .await;
        views[1].close().await;
        audit::clean(&shop).await;
    });
}
