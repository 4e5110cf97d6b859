//! Finishing pieces: the price and its calculation, the work, the photographs, each piece by itself.

use crate::audit;
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use domain::item::{ItemPricing, ItemText};
use domain::money::Currency;
use domain::pricing::Calculation;
use ledger::people::Activity;
use ledger::shelf::{
    FinishPieces, Finished, KeepPictures, MAX_PIECES_AT_ONCE, NewPiece, Picture, PictureName, PieceOutcome,
    PieceWork, Priced,
};

fn named(name: &str) -> ItemText {
    ItemText { name: name.to_owned(), ..ItemText::default() }
}

fn piece_of(style: &str, weighed: &str) -> NewPiece {
    NewPiece {
        text: ItemText { color: "fawn".to_owned(), size: "L".to_owned(), ..ItemText::default() },
        pricing: ItemPricing {
            style: (!style.is_empty()).then(|| style.to_owned()),
            weight: (!weighed.is_empty()).then(|| weight(weighed)),
            ..ItemPricing::none(Currency::USD)
        },
        price_reason: String::new(),
        photographs: Vec::new(),
        rows: None,
        minutes: None,
        note: String::new(),
    }
}

fn beanie(weighed: &str) -> NewPiece {
    piece_of("Ridge beanie", weighed)
}

fn finish(pieces: Vec<NewPiece>) -> FinishPieces {
    FinishPieces { pieces, who: "maker".to_owned() }
}

async fn finished(shop: &Shop, piece: NewPiece) -> Finished {
    match shop.ok(finish(vec![piece])).await.remove(0) {
        PieceOutcome::Finished(finished) => *finished,
        PieceOutcome::Refused(rejection) => panic!("on {:?}: {rejection}", shop.engine),
    }
}

fn picture(digit: &str, lightness: u8) -> Picture {
    let name = PictureName::parse(&digit.repeat(64)).unwrap();
    Picture { name, width: 1600, height: 1200, bytes: 250_000, lightness }
}

async fn with_beanies(shop: &Shop) {
    shop.ok(style("Ridge beanie", "7.50", "ONZ", "whole", Some(2000))).await;
}

#[test]
fn a_piece_is_weighed_priced_and_on_the_shelf_with_its_work() {
    on_each(|shop| async move {
        with_beanies(&shop).await;
        let pictures = vec![picture("a", 61), picture("b", 17)];
        shop.ok(KeepPictures { pictures: pictures.clone(), who: "maker".to_owned() }).await;
        let done = finished(
            &shop,
            with(beanie("6.35 ONZ"), |p| {
                p.pricing.extras = usd(250);
                p.pricing.cost = Some(usd(3207));
                p.rows = Some(96);
                p.minutes = Some(52);
                p.note = "needles 4 mm".to_owned();
                p.photographs = pictures.iter().map(|p| p.name.clone()).collect();
            }),
        )
        .await;
        // 6.35 oz × 7.50 = 47.625, to the cent 47.63; with 2.50 it is 50.13, to the whole 50.
        assert_eq!((done.item.price.price(), done.margin), (usd(5000), Some(usd(1793))));
        let by_rule = done.by_rule.map(|w: Calculation| w.to_string());
        assert_eq!(by_rule.as_deref(), Some("6.35 oz × 7.50 an ounce = 47.63 + 2.50 extras → 50.00"));
        let item = shop.ledger.item(&code(&done.item.in_store)).await.unwrap();
        assert_eq!(
            (item.text.name.as_str(), item.on_hand.to_string()),
            ("Ridge beanie, fawn, L", "1".to_owned())
        );
        assert_eq!(item.text.images, [format!("{}.jpg", "a".repeat(64)), format!("{}.jpg", "b".repeat(64))]);
        let work = shop.ledger.piece_work(item.id).await.unwrap();
        let expected = PieceWork {
            rows: Some(96),
            minutes: Some(52),
            note: "needles 4 mm".to_owned(),
            price_reason: String::new(),
            who: "maker".to_owned(),
        };
        assert_eq!(work, Some(expected));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_price_by_hand_needs_its_reason_and_keeps_it() {
    on_each(|shop| async move {
        with_beanies(&shop).await;
        let by_hand = with(beanie("6.35 ONZ"), |p| {
            p.pricing.price = Some(usd(3900));
            p.pricing.cost = Some(usd(4000));
        });
        let outcome = shop.ok(finish(vec![by_hand.clone()])).await.remove(0);
        let PieceOutcome::Refused(rejection) = outcome else { panic!("{outcome:?}") };
        invalid("reason", ShelfReason::NoOverrideReason).check(&rejection, shop.engine);
        let reason = "a dropped stitch at the brim".to_owned();
        let done = finished(&shop, NewPiece { price_reason: reason.clone(), ..by_hand }).await;
        assert_eq!((done.item.price.price(), done.margin), (usd(3900), Some(usd(-100))));
        assert_eq!(done.by_rule.map(|w| w.price), Some(usd(4800)));
        let work = shop.ledger.piece_work(done.item.id).await.unwrap().unwrap();
        assert_eq!(work.price_reason, reason);
        let noted = shop.ledger.activity(None, 9).await.unwrap().remove(0);
        assert_eq!((noted.who.as_str(), noted.act, &noted.what), ("maker", Activity::Price, &done.item.sku));
        assert_eq!(noted.detail, "$48.00 → $39.00, price override: a dropped stitch at the brim");
        // Without a style there is no other price from which it could differ.
        let loose = with(piece_of("", ""), |p| {
            p.text = named("Moor wall hanging");
            p.pricing.price = Some(usd(9000));
        });
        assert_eq!(finished(&shop, loose).await.item.price.price(), usd(9000));
        assert_eq!(shop.ledger.activity(None, 9).await.unwrap().len(), 1, "a price by rule is no change");
        audit::clean(&shop).await;
    });
}

#[test]
fn each_piece_of_a_sheet_is_judged_by_itself() {
    on_each(|shop| async move {
        with_beanies(&shop).await;
        let unknown = picture("c", 50).name;
        let rows: Vec<(NewPiece, &str)> = vec![
            (beanie("6.35 ONZ"), ""),
            (beanie(""), "\"offers.price\", reason: Shelf(NoPrice)"),
            (piece_of("Moor cowl", "6 ONZ"), "UnknownStyle { name: \"Moor cowl\" }"),
            (
                with(piece_of("", ""), |p| {
                    p.text = ItemText::default();
                    p.pricing.price = Some(usd(1));
                }),
                "\"name\", reason: Text(Empty)",
            ),
            (
                NewPiece { rows: Some(0), ..beanie("6 ONZ") },
                "\"rows\", reason: Shelf(WorkOutOfRange { limit: 1000000 })",
            ),
            (
                NewPiece { minutes: Some(-5), ..beanie("6 ONZ") },
                "\"minutes\", reason: Shelf(WorkOutOfRange { limit: 1000000 })",
            ),
            (NewPiece { photographs: vec![unknown], ..beanie("6 ONZ") }, "Shelf(PhotographMissing)"),
            (
                NewPiece { note: "card 4000 0000 0000 0002".to_owned(), ..beanie("6 ONZ") },
                "\"note\", reason: Text(CardNumber)",
            ),
            (
                with(beanie("6 ONZ"), |p| {
                    p.pricing.price = Some(eur(100));
                    p.price_reason = "fair".to_owned();
                }),
                "OtherCurrency { given: EUR, own: USD }",
            ),
            (with(beanie("6 ONZ"), |p| p.pricing.cost = Some(usd(-1))), "\"cost\", reason: Shop(Negative)"),
            (beanie("5.9 ONZ"), ""),
        ];
        let (pieces, expected): (Vec<_>, Vec<_>) = rows.into_iter().unzip();
        let outcomes = shop.ok(finish(pieces)).await;
        assert_eq!(outcomes.len(), expected.len());
        for (outcome, expected) in outcomes.iter().zip(expected) {
            match outcome {
                PieceOutcome::Finished(_) => assert_eq!(expected, ""),
                PieceOutcome::Refused(rejection) => {
                    let said = format!("{rejection:?}");
                    assert!(!expected.is_empty() && said.contains(expected), "on {:?}: {said}", shop.engine);
                }
            }
        }
        let [items, work] = ["SELECT COUNT(*) FROM item", "SELECT COUNT(*) FROM piece_work"];
        assert_eq!((shop.number(items).await, shop.number(work).await), (2, 2));
        audit::clean(&shop).await;
    });
}

#[test]
fn no_more_than_a_hundred_at_once() {
    on_each(|shop| async move {
        with_beanies(&shop).await;
        let pieces = vec![beanie("6 ONZ"); MAX_PIECES_AT_ONCE + 1];
        shop.refuses(finish(pieces), invalid("pieces", ShelfReason::TooManyPieces { limit: 100 })).await;
        let outcomes = shop.ok(finish(vec![beanie("6 ONZ"); MAX_PIECES_AT_ONCE])).await;
        assert!(outcomes.iter().all(|o| matches!(o, PieceOutcome::Finished(_))));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_price_is_told_before_anything_is_kept() {
    on_each(|shop| async move {
        with_beanies(&shop).await;
        let fresh = shop.ledger.price_piece(&beanie("6.35 ONZ")).await.unwrap();
        assert_eq!((fresh.price.price(), fresh.usual, fresh.margin), (usd(4800), None, None));
        shop.ok(finish(vec![beanie("5.9 ONZ"), beanie("180 GRM"), beanie("6.8 ONZ")])).await;
        let by_hand = with(beanie("63.5 ONZ"), |p| {
            p.pricing.price = Some(usd(4000));
            p.pricing.cost = Some(usd(2500));
        });
        let Priced { price, by_rule, margin, usual } = shop.ledger.price_piece(&by_hand).await.unwrap();
        assert_eq!((price.price(), margin), (usd(4000), Some(usd(1500))));
        assert_eq!(by_rule.map(|w| w.price), Some(usd(47_600)));
        let usual = usual.unwrap();
        assert_eq!((usual.lightest, usual.heaviest, usual.pieces), (weight("5.9 ONZ"), weight("6.8 ONZ"), 3));
        let check =
            |weighed: &str, expected: bool| assert_eq!(usual.hold(weight(weighed)), expected, "{weighed}");
        check("6.35 ONZ", true);
        check("5.9 ONZ", true);
        check("180 GRM", true);
        check("63.5 ONZ", false);
        check("5.89 ONZ", true);
        check("3.1 ONZ", false);
        let refused = shop.ledger.price_piece(&piece_of("Moor cowl", "6 ONZ")).await.unwrap_err();
        let reason = ShelfReason::UnknownStyle { name: "Moor cowl".to_owned() };
        invalid("style", reason).check(refused.rejection().unwrap(), shop.engine);
        assert_eq!(shop.number("SELECT COUNT(*) FROM item").await, 3);
    });
}

#[test]
fn a_picture_is_noted_once() {
    on_each(|shop| async move {
        let keep = |picture: Picture| KeepPictures { pictures: vec![picture], who: "maker".to_owned() };
        shop.ok(keep(picture("a", 61))).await;
        shop.ok(keep(picture("a", 61))).await;
        shop.ok(keep(picture("b", 17))).await;
        let names = ["a", "b", "c"].map(|digit| picture(digit, 0).name);
        let found = shop.ledger.pictures(&names).await.unwrap();
        let lightness = names.map(|name| found.get(&name).map(|p| p.lightness));
        assert_eq!(lightness, [Some(61), Some(17), None]);
    });
}

#[test]
fn a_picture_is_named_by_its_hash_alone() {
    let check =
        |file: &str, expected: bool| assert_eq!(PictureName::of_file(file).is_some(), expected, "{file}");
    check(&format!("{}.jpg", "0a".repeat(32)), true);
    check(&"0a".repeat(32), false);
    check(&format!("{}.png", "0a".repeat(32)), false);
    check(&format!("{}.jpg", "0A".repeat(32)), false);
    check(&format!("{}.jpg", "0a".repeat(31)), false);
    check(&format!("../{}.jpg", "0a".repeat(32)), false);
    check("moor.jpg", false);
    check("", false);
}
