//! The other shop's own ids: read from its list, or entered by a person.

use super::*;
use crate::audit;
use crate::harness::on_each;
use ledger::CommandError;
use ledger::online::{EnterOtherId, LearnIds, MendListings, NoteCured};

async fn stood(shop: &Shop, on: ConnectionId, sku: &str) -> String {
    let rows = shop.ledger.listings_of(on, &[item_of(shop, sku).await]).await.unwrap();
    let (row, stood) = &rows[0];
    format!("{:?} {} {}", row.state, row.told_revision, stood.other_id)
}

#[test]
fn ids_from_a_list_are_kept_and_tell_nobody_anything() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = shop.ok(save("village", NewPieces::Wait)).await;
        fill(&shop, village).await;
        let ids =
            vec![(item_of(&shop, "p1").await, "L-1".to_owned()), (item_of(&shop, "p2").await, String::new())];
        shop.ok(LearnIds { connection: village, ids: ids.clone() }).await;
        shop.ok(LearnIds { connection: village, ids }).await;
        assert_eq!(stood(&shop, village, "p1").await, "Some(Listed) 1 L-1");
        assert_eq!(stood(&shop, village, "p2").await, "None 0 ");
        assert_eq!(waiting(&shop, village).await, "");
        // From then on we send updates for it.
        shop.ok(sale_of("p1", 100)).await;
        assert_eq!(waiting(&shop, village).await, "p1 2");
        audit::clean(&shop).await;
    });
}

#[test]
fn an_id_that_a_person_enters_is_told_by_at_once() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        let held = holder(&shop.ledger);
        let claimed = shop.ok(claim(village, held)).await;
        let settled = claimed.iter().map(|c| (c.item, 1, parked())).collect();
        shop.ok(settle(village, held, settled)).await;
        let enter = |sku: &str, id: &str| EnterOtherId {
            connection: village,
            code: code(sku),
            other_id: id.to_owned(),
            who: "owner".to_owned(),
        };
        assert_eq!(shop.ok(enter("p1", " L-1 ")).await, "p1");
        assert_eq!(stood(&shop, village, "p1").await, "Some(Listed) 0 L-1");
        let status = shop.ledger.connection_statuses().await.unwrap().remove(0);
        assert_eq!((status.waiting, status.parked), (2, 1));
        assert_eq!(tell_all(&shop, village).await, "p1 2");
        for (sku, id) in [("p2", "L-p1"), ("p2", ""), ("p2", "a\nb"), ("p2", ".."), ("p9", "L-9")] {
            let refused = shop.ledger.execute(None, &enter(sku, id)).await;
            assert!(matches!(refused, Err(CommandError::Rejected(_))), "{sku} {id:?}: {refused:?}");
        }
        audit::clean(&shop).await;
    });
}

#[test]
fn an_id_that_is_given_to_another_is_taken_from_whoever_had_it() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), piece("p3", 100)])).await;
        let village = village(&shop).await;
        let tell = async |given: &[(&str, &str)]| {
            let (held, mut settled) = (holder(&shop.ledger), Vec::new());
            shop.ok(claim(village, held)).await;
            for (sku, id) in given {
                let became = told_by(ListingState::Listed, id);
                settled.push((item_of(&shop, sku).await, revision(&shop, sku).await, became));
            }
            shop.ok(settle(village, held, settled)).await;
        };
        let check = async |expected: [&str; 3]| {
            for (sku, expected) in ["p1", "p2", "p3"].into_iter().zip(expected) {
                assert_eq!(stood(&shop, village, sku).await, expected);
            }
        };
        tell(&[("p1", "L-1")]).await;
        shop.clock.advance_millis(LEASE_OVER_MS);
        // The shop was restored, and assigns its numbers a second time.
        tell(&[("p2", "L-1"), ("p3", "L-3")]).await;
        check(["Some(Listed) 1 ", "Some(Listed) 1 L-1", "Some(Listed) 1 L-3"]).await;
        let ids = vec![(item_of(&shop, "p1").await, "L-3".to_owned())];
        shop.ok(LearnIds { connection: village, ids }).await;
        check(["Some(Listed) 1 L-3", "Some(Listed) 1 L-1", "Some(Listed) 1 "]).await;
        // Another connection's shop has numbers of its own.
        let mill = shop.ok(save("mill", NewPieces::List)).await;
        let ids = vec![(item_of(&shop, "p2").await, "L-3".to_owned())];
        shop.ok(LearnIds { connection: mill, ids }).await;
        check(["Some(Listed) 1 L-3", "Some(Listed) 1 L-1", "Some(Listed) 1 "]).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_mended_once_more_is_counted_until_it_is_as_it_should_be() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        let item = item_of(&shop, "p1").await;
        let counted = async || shop.ledger.mended_in_vain(village).await.unwrap().get(&item).copied();
        let mend = |counts| MendListings { connection: village, items: vec![item], above: 0, counts };
        assert_eq!(counted().await, None);
        for (counts, expected) in [(true, Some(1)), (false, Some(1)), (true, Some(2))] {
            shop.ok(mend(counts)).await;
            tell_all(&shop, village).await;
            assert_eq!(counted().await, expected);
        }
        let cured = NoteCured { connection: village, items: vec![item] };
        shop.ok(cured).await;
        assert_eq!(counted().await, None);
        audit::clean(&shop).await;
    });
}
