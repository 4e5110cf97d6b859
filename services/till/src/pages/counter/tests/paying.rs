//! How a slip is paid, left unpaid, put on hold or discarded.

use super::{open, post, slip};
use crate::testing::TestShop;
use domain::day::Day;
use domain::people::Role;

#[tokio::test]
async fn it_is_paid_in_parts_and_rounded_in_cash() {
    let shop = TestShop::open().await;
    let rounding = ledger::keeping::SetShop {
        key: "cash_rounding".to_owned(),
        value: "5 up".to_owned(),
        who: String::new(),
    };
    shop.ledger().execute(None, &rounding).await.expect("set");
    let page = slip(&shop, &["SPINDLE"]).await;
    let scan = format!("{}/scan", page.path);
    let page = page.send(&scan, &[("code", "ROVING"), ("quantity", "2.5")]).await;
    page.shows(&["$23.63", "In cash: $23.65"]);
    let path = page.path.clone();
    let revision = page.field("/pay", "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "card")]).await;
    let (tender, due) = (format!("{path}/tender"), "23.63");
    let wrong = paying.refused(&tender, &[("by", "card"), ("due", due), ("amount", "30.00")]).await;
    wrong.shows(&["only cash gives change", "value=\"30.00\""]);
    let other = paying.refused(&tender, &[("by", "card"), ("due", "23.60"), ("amount", "")]).await;
    other.shows(&["The total is now $23.63"]);
    let part =
        paying.send(&tender, &[("by", "card"), ("then", "cash"), ("due", due), ("amount", "10.00")]).await;
    part.shows(&["Paid: Card", "-$10.00", "$13.65"]);
    let over = part.refused(&tender, &[("by", "card"), ("due", due), ("amount", "20.00")]).await;
    over.shows(&["Only $13.63 is left to pay, and only cash gives change."]);
    let cancel = format!("{path}/cancel-payment");
    part.shows(&["return $10.00"]);
    let sold =
        part.send(&tender, &[("by", "cash"), ("then", "cash"), ("due", due), ("given", "15.00")]).await;
    sold.shows(&[
        "Change due",
        "$1.35",
        "Cash rounding",
        "$0.02",
        "$23.65",
        "Card",
        "$10.00",
        "Cash",
        "$15.00",
    ]);
    // A completed sale does not become a slip again.
    let late = post(&shop, &cancel, &[("_seal", &part.field(&cancel, "_seal"))]).await;
    assert_eq!(
        (late.status, late.header("location").is_some_and(|l| l.starts_with("/counter/sales/"))),
        (303, true)
    );
}

#[tokio::test]
async fn owed_names_a_customer_and_a_day_and_is_paid_later() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let path = page.path.clone();
    let revision = page.field("/pay", "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "on-account")]).await;
    let tender = format!("{path}/tender");
    paying
        .refused(&tender, &[("by", "on-account"), ("due", "18.00"), ("customer", "Ash")])
        .await
        .shows(&["aria-invalid=\"true\" aria-describedby=\"fault-day\"", "id=\"fault-day\""]);
    let fields =
        [("by", "on-account"), ("due", "18.00"), ("customer", "Ash"), ("day", "2026-06-01"), ("amount", "")];
    let sold = paying.send(&tender, &fields).await;
    sold.shows(&["On account: Ash, due Jun 1, 2026", "Ash owes $18.00"]);
    let list = open(&shop, "/counter/balances").await;
    list.shows(&["Ash", "Jun 1, 2026", "$18.00"]);
    let debt = shop.ledger().debts(1).await.expect("debts").remove(0);
    assert_eq!(debt.due, Day::from_number(20_260_601));
    let action = format!("/counter/balances/{}", debt.tender);
    list.refused(&action, &[("amount", "20.00"), ("by", "cash")])
        .await
        .shows(&["The open balance is $18.00"]);
    list.send(&action, &[("amount", "18.00"), ("by", "cash")]).await.shows(&["No customer owes anything"]);
}

#[tokio::test]
async fn a_slip_is_set_aside_rung_up_later_or_put_away() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["COWL"]).await;
    let hold = format!("{}/hold", page.path);
    let revision = page.field(&format!("action=\"{hold}\""), "revision");
    page.refused(&hold, &[("revision", &revision), ("forWhom", "Ash"), ("until", "2026-05-01")])
        .await
        .shows(&["later than now"]);
    let fields = [("revision", revision.as_str()), ("forWhom", "Ash"), ("until", "2026-05-20")];
    let room = page.send(&hold, &fields).await;
    room.shows(&["On hold", "Ash", "Moor cowl, through May 20, 2026"]);
    let refused = room.refused("/counter/scan", &[("code", "COWL")]).await;
    refused.shows(&["Moor cowl: On hold for Ash through May 20, 2026. Not charged."]);
    let hold = shop.ledger().open_holds(None, 1).await.expect("holds").remove(0).id;
    let again = room.send(&format!("/counter/holds/{hold}"), &[("do", "ring")]).await;
    again.shows(&["Sale for Ash", "Moor cowl", "$48.00"]);
    let away = again.send(&format!("{}/discard", again.path), &[]).await;
    assert!(!away.has("Open sales"));
    assert_eq!(shop.get(&again.path).await.header("location"), Some("/counter"));
}

#[tokio::test]
async fn a_gift_note_is_sold_on_a_slip() {
    let shop = TestShop::open().await;
    let page = open(&shop, "/counter").await;
    let laid = page
        .send("/counter/paper", &[("kind", "gift-certificate"), ("amount", "25.00"), ("title", "")])
        .await;
    laid.shows(&["Gift certificate", "$25.00", "Total", "$25.00"]);
    let revision = laid.field("/pay", "revision");
    let paying = laid.send(&format!("{}/pay", laid.path), &[("revision", &revision), ("by", "card")]).await;
    paying.shows(&["Take payment"]);
    paying
        .send(&format!("{}/tender", laid.path), &[("by", "card"), ("due", "25.00")])
        .await
        .shows(&["Sale complete", "$25.00"]);
}

/// Before money is taken, the slip says which limit it exceeds and what the clerk may do.
#[tokio::test]
async fn a_slip_above_the_hand_s_limit_is_refused_in_words_and_an_owner_goes_on() {
    let shop = TestShop::open().await;
    let counter = shop.as_role(Role::Counter);
    let page = slip(&counter, &["SPINDLE"]).await;
    let path = page.path.clone();
    let line = format!("{path}/line");
    let revision = page.field(&format!("action=\"{line}\""), "revision");
    let fields = [
        ("revision", revision.as_str()),
        ("line", "1"),
        ("off", "30 %"),
        ("reason", "moths"),
        ("do", "change"),
    ];
    // Where it is typed, and before money is taken of somebody else's.
    let words = "A discount of 30% is above your limit of 25%. Ask someone with more rights to do it.";
    page.refused(&line, &fields).await.shows(&[words]);
    let off = open(&shop, &path).await.send(&line, &fields).await;
    let revision = off.field("/pay", "revision");
    let pay = [("revision", revision.as_str()), ("by", "cash")];
    open(&counter, &path).await.refused(&format!("{path}/pay"), &pay).await.shows(&[words]);
    let owner = open(&shop, &path).await;
    owner.send(&format!("{path}/pay"), &pay).await.shows(&["$12.60"]);
}

#[tokio::test]
async fn a_second_press_keeps_the_change_in_view() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let path = page.path.clone();
    let revision = page.field("/pay", "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "cash")]).await;
    let tender = format!("{path}/tender");
    let fields = [("by", "cash"), ("due", "18.00"), ("amount", "20.00")];
    paying.send(&tender, &fields).await.shows(&["Sale complete", "class=\"change\"", "$2.00"]);
    paying.send(&tender, &fields).await.shows(&["Sale complete", "class=\"change\"", "$2.00"]);
}

#[tokio::test]
async fn another_device_s_payment_is_not_called_the_one_that_completed_the_sale() {
    let shop = TestShop::open().await;
    let page = slip(&shop, &["SPINDLE"]).await;
    let path = page.path.clone();
    let revision = page.field("/pay", "revision");
    let paying = page.send(&format!("{path}/pay"), &[("revision", &revision), ("by", "cash")]).await;
    let other = open(&shop, &format!("{path}/pay?by=card")).await;
    let tender = format!("{path}/tender");
    paying.send(&tender, &[("by", "cash"), ("due", "18.00"), ("amount", "20.00")]).await;
    for amount in ["", "18.00"] {
        let late = other.send(&tender, &[("by", "card"), ("due", "18.00"), ("amount", amount)]).await;
        late.shows(&["This sale was already paid", "Cash", "$20.00"]);
        assert!(!late.has("Sale complete") && !late.has("class=\"change\""), "{}", late.page);
    }
    let sales =
        shop.ledger().find_sales(&ledger::sales::SalesQuery::default(), None, 9).await.expect("sales");
    assert_eq!(sales.sales.len(), 1);
}
