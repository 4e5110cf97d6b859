//! What is listed: what an online shop is known to offer, by feed or by connection.

use super::*;
use crate::harness::on_each;
use ledger::online::{Delivered, EndConnection, Offers, RecordRun, StaleOffers};
use ledger::orders::EndHold;
use ledger::shelf::{EditItem, FindItems, FindState, PriceChange, Purpose};

async fn offers(shop: &Shop, sku: &str) -> Offers {
    let item = item_of(shop, sku).await;
    shop.ledger.offers(&[item]).await.unwrap().remove(&item).unwrap_or_default()
}

/// Who offers it: `feed, village`.
async fn by(shop: &Shop, sku: &str) -> String {
    let shops = offers(shop, sku).await.by.into_iter().map(|offer| offer.shop.unwrap_or("feed".to_owned()));
    shops.collect::<Vec<_>>().join(", ")
}

/// Exports these to the feed, as they are now.
async fn export(shop: &Shop, skus: &[&str]) {
    let connection = shop.ledger.connection("feed").await.unwrap();
    let mut told = Vec::new();
    for sku in skus {
        let item = shop.ledger.item(&code(sku)).await.unwrap();
        let state = if item.on_hand.stock_units() > 0 { ListingState::Listed } else { ListingState::Ended };
        told.push(Delivered {
            item: item.id,
            revision: item.revision,
            content: Some(("h".to_owned(), state)),
        });
    }
    shop.ok(RecordRun { connection, told, run: None }).await;
}

/// Every place that shows what is not listed.
async fn unlisted(shop: &Shop) -> String {
    let feed = shop.ledger.connection("feed").await.unwrap();
    let online: Vec<String> =
        shop.ledger.unlisted(feed, None, 9).await.unwrap().into_iter().map(|item| item.sku).collect();
    let find = FindItems { state: FindState::Unlisted, ..FindItems::default() };
    let found = shop.ledger.find_items(&find, None, 9).await.unwrap();
    assert_eq!(found.items.iter().map(|item| item.sku.clone()).collect::<Vec<_>>(), online);
    assert_eq!(shop.ledger.count_unlisted().await.unwrap(), i64::try_from(online.len()).unwrap());
    online.join(" ")
}

async fn listed(shop: &Shop, state: ListingState) -> String {
    let items = shop.ledger.listed(state, None, 9).await.unwrap();
    let counts = shop.ledger.offer_counts(9).await.unwrap();
    let count = if state == ListingState::Listed { counts.listed } else { counts.ended };
    assert_eq!(count, items.len());
    items.into_iter().map(|item| item.sku).collect::<Vec<_>>().join(" ")
}

#[test]
fn a_piece_is_listed_wherever_an_online_shop_offers_it() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000), piece("p3", 1000)])).await;
        assert_eq!((unlisted(&shop).await.as_str(), offers(&shop, "p1").await.state()), ("p3 p2 p1", None));
        let village = shop.ok(save("village", NewPieces::List)).await;
        fill(&shop, village).await;
        tell_all(&shop, village).await;
        assert_eq!((by(&shop, "p1").await.as_str(), unlisted(&shop).await.as_str()), ("village", ""));
        export(&shop, &["p1", "p2"]).await;
        assert_eq!(by(&shop, "p1").await, "feed, village");
        assert_eq!(listed(&shop, ListingState::Listed).await, "p3 p2 p1");
        assert_eq!(shop.ledger.unsent(village, None, 9).await.unwrap().len(), 0);
        // Once its connection has ended, nobody knows what a shop offers.
        shop.ok(EndConnection { name: "village".to_owned(), who: "owner".to_owned() }).await;
        assert_eq!((by(&shop, "p1").await.as_str(), by(&shop, "p3").await.as_str()), ("feed", ""));
        assert_eq!(offers(&shop, "p3").await.state(), Some(ListingState::Ended));
        assert_eq!(unlisted(&shop).await, "p3");
        assert_eq!(listed(&shop, ListingState::Ended).await, "p3");
    });
}

#[test]
fn a_gone_piece_is_counted_once_however_many_shops_offer_it() {
    on_each(|shop| async move {
        let skus = ["p1", "p2", "p3"];
        shop.ok(add(skus.iter().map(|sku| piece(sku, 1000)).collect())).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        export(&shop, &skus).await;
        for sku in skus {
            shop.ok(sale_of(sku, 1000)).await;
        }
        for (limit, items) in [(9, 3), (4, 3), (3, 3), (2, 2)] {
            let expected = StaleOffers { items, by_feed: items, shops: vec!["village".to_owned()] };
            assert_eq!(shop.ledger.stale_offers(limit).await.unwrap(), expected, "up to {limit}");
        }
    });
}

#[test]
fn what_can_no_longer_be_bought_is_offered_until_its_shop_is_told() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000), piece("p3", 1000)])).await;
        let village = village(&shop).await;
        tell_all(&shop, village).await;
        export(&shop, &["p1", "p2"]).await;
        let stale = async || shop.ledger.stale_offers(9).await.unwrap();
        let changed = async || shop.ledger.unexported_changes(9).await.unwrap();
        assert_eq!((stale().await, changed().await), (StaleOffers::default(), 0));
        let held = shop.ok(hold(&[("p2", "1")], Purpose::Customer, None)).await;
        assert_eq!(
            (stale().await, changed().await),
            (StaleOffers::default(), 1),
            "what is on hold stays listed"
        );
        shop.ok(EndHold { id: held.id }).await;
        shop.ok(sale_of("p1", 1000)).await;
        shop.ok(EditItem { price: Some(PriceChange::Hand(usd(900))), ..edit("p2") }).await;
        shop.ok(EditItem { do_not_list: Some(true), ..edit("p3") }).await;
        let shops = vec!["village".to_owned()];
        assert_eq!(stale().await, StaleOffers { items: 2, by_feed: 1, shops });
        assert_eq!(changed().await, 1);
        assert_eq!(shop.ledger.stale_offers(1).await.unwrap().items, 1, "no more is looked at");
        assert_eq!(shop.ledger.unexported_changes(0).await.unwrap(), 0);
        tell_all(&shop, village).await;
        assert_eq!(stale().await, StaleOffers { items: 1, by_feed: 1, shops: Vec::new() });
        assert_eq!(by(&shop, "p1").await, "feed");
        export(&shop, &["p1", "p2"]).await;
        assert_eq!((stale().await, changed().await), (StaleOffers::default(), 0));
        assert_eq!(listed(&shop, ListingState::Ended).await, "p3 p1");
    });
}
