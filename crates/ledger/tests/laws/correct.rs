//! Corrections of a piece, and pieces that were entered by mistake.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use crate::races::{at_once, outcome, views};
use domain::ids::ConnectionId;
use domain::item::{TextEdit, TextField};
use domain::stock::{Availability, ItemKind, ListingState, StockReason};
use ledger::online::{Delivered, RecordRun, RunKind};
use ledger::orders::RemovePiece;
use ledger::people::Activity;
use ledger::shelf::{
    CostChange, Counted, EditItem, FindItems, FindState, ItemPast, NewItem, PriceChange, Purpose, RowOutcome,
    ShelfQuery,
};

/// Priced by its style's rule.
fn ruled(sku: &str, style: &str, weighed: &str) -> NewItem {
    with(item(ItemKind::Piece, sku), |i| {
        i.pricing.price = None;
        i.pricing.style = Some(style.to_owned());
        i.pricing.weight = Some(weight(weighed));
    })
}

/// A shop with two styles and a beanie: 6.35 oz × 7.50 = 47.625, to the cent 47.63, to the whole 48.
async fn with_beanie(shop: &Shop) {
    shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", Some(2000))).await;
    shop.ok(style("Tarn cowl", "6.90", "ONZ", "0.95", None)).await;
    shop.ok(add(vec![ruled("h1", "Ridge beanie", "6.35 ONZ")])).await;
}

fn because(reason: &str) -> String {
    reason.to_owned()
}

async fn last_entry(shop: &Shop) -> (Activity, String) {
    let entry = shop.ledger.activity(None, 1).await.unwrap().remove(0);
    (entry.act, entry.detail)
}

/// Makes an edit, after comparing its preview with what it comes to, and returns the price.
async fn corrected(shop: &Shop, edit: EditItem) -> i64 {
    let preview = shop.ledger.preview_edit(&edit).await.unwrap();
    shop.ok(edit).await;
    let item = shop.ledger.item(&code("h1")).await.unwrap();
    assert_eq!((preview.price, preview.by_hand), (item.price, item.priced_by_hand), "on {:?}", shop.engine);
    item.price.minor()
}

#[test]
fn a_correction_moves_the_price_and_the_log_keeps_old_new_and_why() {
    on_each(|shop| async move {
        with_beanie(&shop).await;
        let weighed = |reason| EditItem { weight: Some(weight("6.53 ONZ")), reason, ..edit("h1") };
        shop.refuses(weighed(Some(because(" "))), invalid("reason", ShelfReason::NoCorrectionReason)).await;
        // 6.53 × 7.50 = 48.975, to the cent 48.98, to the whole 49.
        assert_eq!(corrected(&shop, weighed(Some(because("bowl")))).await, 4900);
        let words = "weight 6.35 oz → 6.53 oz; price $48.00 → $49.00, by the style's rule; bowl";
        assert_eq!(last_entry(&shop).await, (Activity::Correction, words.to_owned()));
        // 6 × 6.90 = 41.40; the nearest that ends in .95 is 40.95.
        let cowl = EditItem {
            style: Some(" tarn COWL ".to_owned()),
            weight: Some(weight("6 ONZ")),
            text: to([(TextField::Color, "fawn|moss"), (TextField::Size, "L")]),
            cost: Some(CostChange::Is(usd(1250))),
            reason: Some(because("a cowl")),
            ..edit("h1")
        };
        assert_eq!(corrected(&shop, cowl).await, 4095);
        let words = "style Ridge beanie → Tarn cowl; weight 6.53 oz → 6 oz; cost none → $12.50; colors none → fawn, moss; \
            size none → L; price $49.00 → $40.95, by the style's rule; a cowl";
        assert_eq!(last_entry(&shop).await, (Activity::Correction, words.to_owned()));
        let by_hand = EditItem {
            price: Some(PriceChange::Hand(usd(3500))),
            reason: Some(because("a flaw")),
            ..edit("h1")
        };
        assert_eq!(corrected(&shop, by_hand).await, 3500);
        assert_eq!(
            last_entry(&shop).await,
            (Activity::Price, "$40.95 → $35.00, price override; a flaw".to_owned())
        );
        // An override stays whatever the style is.
        let beanie = EditItem {
            style: Some(because("Ridge beanie")),
            reason: Some(because("a beanie")),
            ..edit("h1")
        };
        assert_eq!(corrected(&shop, beanie).await, 3500);
        let no_cost =
            EditItem { cost: Some(CostChange::Unknown), reason: Some(because("another's")), ..edit("h1") };
        assert_eq!(corrected(&shop, no_cost).await, 3500);
        assert_eq!(shop.ledger.item(&code("h1")).await.unwrap().cost, None);
        // 6 × 7.50 = 45.
        let by_rule =
            EditItem { price: Some(PriceChange::Rule), reason: Some(because("mended")), ..edit("h1") };
        assert_eq!(corrected(&shop, by_rule).await, 4500);
        // Words alone need no reason, and nothing at all is no entry.
        corrected(
            &shop,
            EditItem { text: to([(TextField::Size, "M")]), reason: Some(because("")), ..edit("h1") },
        )
        .await;
        assert_eq!(last_entry(&shop).await, (Activity::Correction, "size L → M".to_owned()));
        corrected(&shop, EditItem { weight: Some(weight("6 ONZ")), reason: Some(because("")), ..edit("h1") })
            .await;
        assert_eq!(last_entry(&shop).await.1, "size L → M");
        let refused = [
            ("", invalid("offers.price", ShelfReason::NoPrice)),
            ("No such", invalid("style", ShelfReason::UnknownStyle { name: "No such".to_owned() })),
        ];
        for (style, expected) in refused {
            shop.refuses(EditItem { style: Some(because(style)), ..edit("h1") }, expected).await;
        }
        audit::clean(&shop).await;
    });
}

#[test]
fn a_price_of_an_earlier_rate_stays_until_what_it_is_calculated_of_changes() {
    on_each(|shop| async move {
        with_beanie(&shop).await;
        shop.ok(style("Ridge beanie", "8.00", "ONZ", "whole", None)).await;
        let same = EditItem {
            weight: Some(weight("6.35 ONZ")),
            style: Some(because("Ridge beanie")),
            extras: Some(usd(0)),
            text: to([(TextField::Color, "rust")]),
            reason: Some(because("")),
            ..edit("h1")
        };
        assert_eq!(shop.ledger.preview_edit(&same).await.unwrap().calculation, None);
        assert_eq!(corrected(&shop, same).await, 4800);
        // 6.4 × 8 = 51.20, to the whole 51.
        let other = EditItem { weight: Some(weight("6.4 ONZ")), ..edit("h1") };
        assert_eq!(corrected(&shop, other).await, 5100);
    });
}

#[test]
fn a_name_that_nobody_typed_follows_style_colors_and_size() {
    on_each(|shop| async move {
        with_beanie(&shop).await;
        let check = |change: EditItem, expected: &'static str| {
            let shop = &shop;
            async move {
                shop.ok(change).await;
                assert_eq!(shop.ledger.item(&code("h1")).await.unwrap().text.name, expected);
            }
        };
        let texts = |text: TextEdit| EditItem { text, ..edit("h1") };
        let style = |style: &str| EditItem { style: Some(style.to_owned()), ..edit("h1") };
        let (name, color, size) = (TextField::Name, TextField::Color, TextField::Size);
        check(
            texts(to([(name, "Ridge beanie, fawn, M"), (color, "fawn"), (size, "M")])),
            "Ridge beanie, fawn, M",
        )
        .await;
        check(texts(to([(size, "L")])), "Ridge beanie, fawn, L").await;
        check(texts(to([(color, "fawn, moss")])), "Ridge beanie, fawn, moss, L").await;
        assert_eq!(shop.ledger.item(&code("h1")).await.unwrap().text.color, "fawn|moss");
        check(style("Tarn cowl"), "Tarn cowl, fawn, moss, L").await;
        check(texts(to([(name, "Ada’s cowl"), (size, "M")])), "Ada’s cowl").await;
        check(texts(to([(size, "S")])), "Ada’s cowl").await;
        check(texts(to([(name, "Tarn cowl, fawn, moss, S")])), "Tarn cowl, fawn, moss, S").await;
        // Somebody who says the name wants it as it is.
        check(texts(to([(name, "Tarn cowl, fawn, moss, S"), (size, "XS")])), "Tarn cowl, fawn, moss, S")
            .await;
        audit::clean(&shop).await;
    });
}

fn remove(sku: &str) -> RemovePiece {
    RemovePiece { code: code(sku), reason: "typed twice".to_owned(), who: "maker".to_owned() }
}

/// SKUs in a state, as the Shelf finds them.
async fn found(shop: &Shop, state: FindState) -> Vec<String> {
    let find = FindItems { state, ..FindItems::default() };
    let page = shop.ledger.find_items(&find, None, 50).await.unwrap();
    page.items.into_iter().map(|item| item.sku).collect()
}

/// The feed has listed everything that can be bought.
async fn listed(shop: &Shop) {
    let rows = shop.ledger.listings(ConnectionId::from_raw(1), None).await.unwrap().rows().unwrap();
    let told: Vec<Delivered> = rows
        .iter()
        .map(|row| Delivered {
            item: row.item,
            revision: row.revision,
            content: Some(("hash".to_owned(), ListingState::Listed)),
        })
        .collect();
    let run = ledger::online::NewRun {
        id: shop.ledger.new_run().unwrap(),
        kind: RunKind::All,
        listings: i64::try_from(told.len()).unwrap(),
        file_name: "feed.csv".to_owned(),
        file_hash: "0a".to_owned(),
        items: rows.iter().map(|row| row.item).collect(),
    };
    shop.ok(RecordRun { connection: ConnectionId::from_raw(1), told, run: Some(run) }).await;
}

#[test]
fn a_mistake_leaves_stock_and_nothing_finds_or_lists_it() {
    on_each(|shop| async move {
        with_beanie(&shop).await;
        shop.ok(add(vec![ruled("h2", "Ridge beanie", "60.35 ONZ")])).await;
        listed(&shop).await;
        shop.refuses(
            RemovePiece { reason: " ".to_owned(), ..remove("h2") },
            invalid("reason", ShelfReason::NoRemovalReason),
        )
        .await;
        shop.ok(remove("h2")).await;
        let item = shop.ledger.item(&code("h2")).await.unwrap();
        assert_eq!((item.on_hand.stock_units(), item.past), (0, ItemPast::Removed));
        let moves = shop.ledger.stock_moves(&code("h2"), None, 10).await.unwrap();
        assert_eq!((moves[0].why, moves[0].note.as_str()), (StockReason::Mistake, "typed twice"));
        assert_eq!(last_entry(&shop).await, (Activity::Removal, "typed twice".to_owned()));
        for (state, expected) in
            [(FindState::OnShelf, &["h1"][..]), (FindState::All, &["h1"]), (FindState::SoldOut, &[])]
        {
            assert_eq!(found(&shop, state).await, expected, "{state:?} on {:?}", shop.engine);
        }
        let style = shop.ledger.styles().await.unwrap().remove(0);
        assert_eq!(shop.ledger.style_grid(style.id).await.unwrap().len(), 1);
        assert_eq!(shop.ledger.shelf(&ShelfQuery { sold_out: false }).await.unwrap().len(), 1);
        assert_eq!(shop.ledger.items(None, "", 10).await.unwrap().len(), 1);
        let waiting = shop.ledger.waiting_listings(ConnectionId::from_raw(1), None).await.unwrap();
        let waiting: Vec<_> = waiting.rows().unwrap().into_iter().map(|r| (r.sku, r.availability)).collect();
        assert_eq!(waiting, [("h2".to_owned(), Availability::SoldOut)], "its listing ends");
        shop.refuses(sale_of("h2", 45300), gone(StockReason::Mistake)).await;
        shop.refuses(remove("h2"), gone(StockReason::Mistake)).await;
        audit::clean(&shop).await;
        for (mark, expected) in [(0, &["removed: yes → no"][..]), (1, &[])] {
            let text = sqlx::AssertSqlSafe(format!("UPDATE item SET removed = {mark} WHERE sku = 'h2'"));
            sqlx::query(text).execute(&mut *shop.raw().await).await.unwrap();
            let report = shop.ledger.check(|_| ()).await.unwrap();
            let told = |f: &ledger::keeping::Finding| {
                let field = f.what.rsplit_once(" (").map_or("", |(_, field)| field.trim_end_matches(')'));
                format!("{field}: {} → {}", f.expected, f.found)
            };
            assert_eq!(report.findings.iter().map(told).collect::<Vec<_>>(), expected);
        }
        let again = shop.ok(add(vec![piece("h2", 45300), piece("h9", 100)])).await;
        let [RowOutcome::Refused(refused), RowOutcome::Added(_)] = again.as_slice() else {
            panic!("{again:?}")
        };
        invalid("sku", ShelfReason::RemovedBefore { sku: "h2".to_owned() }).check(refused, shop.engine);
        // It was none after all.
        shop.ok(adjust("h2", Counted::Is(asked("1")))).await;
        assert_eq!(found(&shop, FindState::OnShelf).await, ["h9", "h2", "h1"]);
        audit::clean(&shop).await;
    });
}

#[test]
fn what_somebody_bought_holds_or_ordered_stays() {
    on_each(|shop| async move {
        shop.ok(add(vec![
            piece("sold", 1000),
            piece("back", 1000),
            piece("held", 1000),
            piece("both", 1000),
        ]))
        .await;
        shop.ok(add(vec![counted("c1", "3", 100)])).await;
        shop.ok(sale_of("sold", 1000)).await;
        let sale = shop.ok(sale_of("back", 1000)).await;
        testkit::make::take_back(&shop.ledger, &sale).await;
        shop.ok(hold(&[("held", "1")], Purpose::Customer, None)).await;
        // The order holds the piece until its hold is ended; then its line names the piece and waits.
        let mut order = crate::today::order("W-7", &["both"]);
        order.orders[0].status = domain::order::OrderStatus::OrderPaymentDue;
        shop.ok(order).await;
        let check = |sku: &'static str, expected: Expected| {
            let shop = &shop;
            async move { shop.refuses(remove(sku), expected).await }
        };
        check("both", on_hold_for("order W-7")).await;
        let held = shop.ledger.holds_of(shop.ledger.item(&code("both")).await.unwrap().id).await.unwrap();
        shop.ok(ledger::orders::EndHold { id: held[0].id }).await;
        check("both", invalid("code", ShelfReason::RemovesUnorderedOnly { order: "W-7".to_owned() })).await;
        check("sold", already_sold("store", 1)).await;
        check("back", invalid("code", ShelfReason::RemovesUnsoldOnly)).await;
        check("held", on_hold_for("Ada")).await;
        check("c1", invalid("code", ShelfReason::RemovesPiecesOnly)).await;
        check("nobody", unknown_code("nobody")).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_piece_is_sold_or_removed_by_one_of_many() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let views = views(&shop).await;
        let won = at_once(8, |at| {
            let ledger = views[at % 2].clone();
            async move {
                match at % 4 {
                    0 | 1 => outcome(ledger, None, sale_of("p1", 1000)).await.map(drop),
                    _ => outcome(ledger, None, remove("p1")).await.map(drop),
                }
            }
        })
        .await;
        assert_eq!(won.iter().filter(|won| won.is_ok()).count(), 1, "on {:?}: {won:?}", shop.engine);
        audit::clean(&shop).await;
    });
}
