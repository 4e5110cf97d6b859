//! Undo: the last change to the current sale is taken back, and nothing else.

use crate::audit;
use crate::counter::{lay, slip};
use crate::expected::*;
use crate::harness::{Shop, on_each};
use crate::make::*;
use domain::basket::LineKind;
use domain::channel::Channel;
use domain::discount::Off;
use domain::ids::BasketId;
use ledger::customers::AddCustomer;
use ledger::sales::{
    BasketChange, ChangeBasket, HoldBasket, LeaveBasket, MoveBasket, StopPaying, UndoBasket, Undone,
    UndoneWhat,
};

async fn stocked(shop: &Shop) {
    shop.ok(add(vec![counted("KIT", "100", 1000), piece("COWL", 4800), piece("HAT", 4000)])).await;
}

async fn revision(shop: &Shop, basket: BasketId) -> i64 {
    shop.ledger.basket(basket).await.unwrap().revision
}

async fn change(shop: &Shop, basket: BasketId, change: BasketChange) {
    shop.ok(ChangeBasket { basket, revision: None, change }).await;
}

async fn undo(shop: &Shop, basket: BasketId) -> Undone {
    let before = revision(shop, basket).await;
    let undone = shop.ok(UndoBasket { basket, revision: before }).await;
    assert_eq!(revision(shop, basket).await, before + 1, "undoing is a change");
    assert_eq!(shop.ledger.basket(basket).await.unwrap().undone.as_ref(), Some(&undone));
    undone
}

/// The sale in one line: where, for whom, lines with quantity and discount, the discount on the whole.
async fn told(shop: &Shop, basket: BasketId) -> String {
    let view = shop.ledger.basket(basket).await.unwrap();
    let off = |off: Option<Off>| off.map(|off| format!(" -{off}")).unwrap_or_default();
    let lines: Vec<String> =
        view.lines.iter().map(|line| format!("{}x{}{}", line.code, line.quantity, off(line.off))).collect();
    let customer = view.customer.map(|customer| customer.name).unwrap_or_default();
    format!("{} {customer} {}{}", view.channel, lines.join(" "), off(view.off))
}

fn ten() -> Option<Off> {
    Off::parse("10%", currency("USD")).ok()
}

#[test]
fn each_change_is_undone_and_named() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let contact = domain::customer::Contact { name: "Cleo".to_owned(), ..Default::default() };
        let cleo = shop.ok(AddCustomer { contact, who: "Ada".to_owned() }).await;
        let basket = slip(&shop, &["COWL", "KIT"]).await;
        let check = |made: BasketChange, what: UndoneWhat| {
            let shop = shop.clone();
            async move {
                let before = told(&shop, basket).await;
                change(&shop, basket, made).await;
                assert_ne!(told(&shop, basket).await, before, "{what:?}");
                let undone = undo(&shop, basket).await;
                assert_eq!((undone.what, told(&shop, basket).await), (what, before), "on {:?}", shop.engine);
                undone.title
            }
        };
        let title = check(lay("HAT"), UndoneWhat::Removed).await;
        assert_eq!(title, shop.ledger.item(&code("HAT")).await.unwrap().text.name);
        check(BasketChange::Remove { line: 1 }, UndoneWhat::PutBack).await;
        check(lay("KIT"), UndoneWhat::Quantity).await;
        let quantity = Some(asked("7"));
        let of_line = |quantity, off, reason: &str| BasketChange::Line {
            line: 2,
            quantity,
            off,
            reason: reason.to_owned(),
        };
        check(of_line(quantity, None, ""), UndoneWhat::Quantity).await;
        check(of_line(None, ten(), "moth"), UndoneWhat::LineDiscount).await;
        check(BasketChange::Discount { off: ten(), reason: "friend".to_owned() }, UndoneWhat::Discount).await;
        check(BasketChange::Customer { customer: Some(cleo) }, UndoneWhat::Customer).await;
        let before = told(&shop, basket).await;
        shop.ok(MoveBasket { basket, channel: Channel::parse("market").unwrap() }).await;
        assert_eq!(undo(&shop, basket).await.what, UndoneWhat::Channel);
        assert_eq!(told(&shop, basket).await, before);
        // Back to the start, line by line, and no further.
        assert_eq!(undo(&shop, basket).await.what, UndoneWhat::Removed);
        assert_eq!(undo(&shop, basket).await.what, UndoneWhat::Removed);
        let nothing = UndoBasket { basket, revision: revision(&shop, basket).await };
        shop.refuses(nothing, invalid("slip", SalesReason::NothingToUndo)).await;
        assert!(!shop.ledger.basket(basket).await.unwrap().can_undo);
        // A scan that began the sale is undone like any other.
        let first = Some(lay("HAT"));
        let other = ledger::sales::OpenBasket { channel: Channel::store(), first, who: "Ada".to_owned() };
        let other = shop.ok(other).await;
        assert_eq!(undo(&shop, other).await.what, UndoneWhat::Removed);
        assert!(shop.ledger.basket(other).await.unwrap().lines.is_empty());
        // A number of a line is never used twice.
        change(&shop, basket, lay("HAT")).await;
        assert!(shop.ledger.basket(basket).await.unwrap().lines[0].number > 2);
        audit::clean(&shop).await;
    });
}

#[test]
fn only_the_change_that_was_seen_is_undone_and_never_while_money_is_taken() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let basket = slip(&shop, &["COWL"]).await;
        let seen = revision(&shop, basket).await;
        change(&shop, basket, lay("HAT")).await;
        let late = shop.refused(UndoBasket { basket, revision: seen }).await;
        assert!(matches!(late, ledger::Rejection::Stale { .. }), "{late}");
        let now = revision(&shop, basket).await;
        shop.ok(HoldBasket { basket, revision: now, without: Vec::new(), who: "Ada".to_owned() }).await;
        let paying = UndoBasket { basket, revision: now + 1 };
        shop.refuses(paying, invalid("slip", SalesReason::BeingPaid)).await;
        assert!(!shop.ledger.basket(basket).await.unwrap().can_undo);
        assert_eq!(
            shop.number("SELECT CAST(SUM(held) AS BIGINT) FROM item").await,
            2,
            "the hold is as it was"
        );
        shop.ok(StopPaying { basket }).await;
        assert_eq!(undo(&shop, basket).await.what, UndoneWhat::Removed);
        audit::clean(&shop).await;
    });
}

#[test]
fn twenty_changes_are_kept_and_none_after_the_sale() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let basket = slip(&shop, &["COWL"]).await;
        for _ in 0..25 {
            change(&shop, basket, lay("KIT")).await;
        }
        assert_eq!(shop.number("SELECT COUNT(*) FROM basket_step").await, 20);
        for _ in 0..20 {
            undo(&shop, basket).await;
        }
        assert_eq!(told(&shop, basket).await, "store  COWLx1 KITx5");
        change(&shop, basket, lay("HAT")).await;
        shop.ok(LeaveBasket { basket }).await;
        assert_eq!(shop.number("SELECT COUNT(*) FROM basket_step").await, 0);
        let basket = slip(&shop, &["COWL"]).await;
        let now = revision(&shop, basket).await;
        shop.ok(HoldBasket { basket, revision: now, without: Vec::new(), who: "Ada".to_owned() }).await;
        let tender = ledger::sales::TenderIn::plain(domain::basket::TenderKind::Cash, usd(4800));
        let pay =
            ledger::sales::PayBasket { basket, due: usd(4800), left: None, tender, who: "Ada".to_owned() };
        shop.ok(pay).await;
        assert_eq!(shop.number("SELECT COUNT(*) FROM basket_step").await, 0);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_name_that_was_forgotten_with_its_line_stays_forgotten() {
    on_each(|shop| async move {
        stocked(&shop).await;
        let basket = slip(&shop, &["COWL"]).await;
        let mut certificate = testkit::make::certificate(3);
        certificate.holder = "Grandmother".to_owned();
        let paper = BasketChange::AddPaper {
            kind: LineKind::GiftCertificate,
            title: "Gift certificate".to_owned(),
            amount: usd(2500),
            certificate: Some(certificate),
        };
        change(&shop, basket, paper.clone()).await;
        change(&shop, basket, BasketChange::Remove { line: 2 }).await;
        assert_eq!(undo(&shop, basket).await.what, UndoneWhat::PutBack);
        assert_eq!(shop.number("SELECT COUNT(*) FROM person_data WHERE erased_ms IS NULL").await, 0);
        // Undoing that it was added forgets its name too.
        let other = slip(&shop, &[]).await;
        change(&shop, other, paper).await;
        assert_eq!(shop.number("SELECT COUNT(*) FROM person_data WHERE erased_ms IS NULL").await, 1);
        undo(&shop, other).await;
        assert_eq!(shop.number("SELECT COUNT(*) FROM person_data WHERE erased_ms IS NULL").await, 0);
        audit::clean(&shop).await;
    });
}
