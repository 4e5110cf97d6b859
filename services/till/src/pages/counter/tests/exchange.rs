//! Exchanges of a sale that is not paid yet, those that wait, and shipping.

use super::{OpenPage, money, open};
use crate::testing::TestShop;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::Day;
use domain::ids::SaleId;
use domain::quantity::Asked;
use ledger::sales::{NewSale, SaleLineIn, TenderIn};

/// Sells the cowl of $48.00 for this, with what is left of it for shipping.
async fn sell_cowl(shop: &TestShop, tender: TenderIn) -> SaleId {
    let none = money(0);
    let code = domain::codes::Code::parse("COWL").expect("a code");
    let sale = NewSale {
        channel: Channel::store(),
        lines: vec![SaleLineIn::Goods { code, quantity: Asked::ONE, discount: none, tax: none }],
        discount: none,
        shipping: tender.amount.minus(money(4800)).expect("an amount"),
        tenders: vec![tender],
        customer: None,
        is_granted: false,
        hold: None,
        at: None,
        note: String::new(),
        who: "Ann".to_owned(),
    };
    shop.ledger().execute(None, &sale).await.expect("a sale").answer.id
}

/// The refund form of a sale of one line, and the name of its field for the quantity.
async fn refund_form(shop: &TestShop, sale: SaleId) -> (OpenPage<'_>, String) {
    let line = shop.ledger().sale(sale).await.expect("a sale").lines[0].line.id;
    (open(shop, &format!("/counter/sales/{sale}/refund")).await, format!("refund.{line}"))
}

#[tokio::test]
async fn what_was_not_paid_yet_lowers_its_open_balance_and_the_receipt_says_so() {
    let shop = TestShop::open().await;
    let (customer, due) = ("Ada".to_owned(), Day::parse("2026-06-17").ok());
    let tender = TenderIn { customer, due, ..TenderIn::plain(TenderKind::OnAccount, money(4800)) };
    let sale = sell_cowl(&shop, tender).await;
    let (refund, quantity) = refund_form(&shop, sale).await;
    let begun = refund.send(&refund.path, &[(&quantity, "1"), ("do", "exchange")]).await;
    begun.shows(&["-$48.00", "Amount due", "$0.00", "Lowers the open balance: $48.00"]);
    let taken = begun.send(&format!("{}/scan", begun.path), &[("code", "HAT")]).await;
    taken.shows(&["Amount due", "$42.00", "Lowers the open balance: $48.00"]);
    let (revision, path) = (taken.field("/pay", "revision"), &taken.path);
    let fields = [("revision", revision.as_str()), ("by", "card")];
    let paying = taken.send(&format!("{path}/pay"), &fields).await;
    let due = paying.field("/tender", "due");
    let fields = [("by", "card"), ("due", due.as_str()), ("amount", "")];
    let done = paying.send(&format!("{path}/tender"), &fields).await;
    done.shows(&[
        "Exchange complete",
        "Card",
        "$42.00",
        "Returned in exchange",
        "-$48.00",
        "Lowers the open balance",
        "$48.00",
    ]);
    assert!(!done.has("Void sale"), "{}", done.page);
    let receipt = done.path.split('?').next().expect("a path");
    let file = shop.get(&format!("{receipt}/receipt.txt")).await;
    let lowers = file.text().lines().find(|line| line.starts_with("Lowers the open balance"));
    assert!(lowers.is_some_and(|line| line.ends_with(" $48.00")), "{}", file.text());
}

#[tokio::test]
async fn an_exchange_that_was_left_waits_under_its_name() {
    let shop = TestShop::open().await;
    let sale = sell_cowl(&shop, TenderIn::plain(TenderKind::Card, money(4800))).await;
    let (refund, quantity) = refund_form(&shop, sale).await;
    let begun = refund.send(&refund.path, &[(&quantity, "1"), ("do", "exchange")]).await;
    assert!(!begun.has("Lowers the open balance"), "{}", begun.page);
    let link = format!("<a href=\"{}\">Exchange: Moor cowl, since ", begun.path);
    open(&shop, "/counter").await.shows(&["Open sales", &link, "1 item returned, 0 items taken"]);
    let taken = begun.send(&format!("{}/scan", begun.path), &[("code", "HAT")]).await;
    taken.shows(&["Discount or discard", "Discard exchange"]);
    assert!(!taken.has("Hold for customer") && !taken.has("Discard sale"), "{}", taken.page);
    let link = format!("<a href=\"{}\">Exchange: Moor cowl, small, $42.00, since ", begun.path);
    open(&shop, "/counter").await.shows(&[&link, "1 item returned, 1 item taken"]);
}

#[tokio::test]
async fn shipping_is_not_refunded_with_an_exchange() {
    let shop = TestShop::open().await;
    let sale = sell_cowl(&shop, TenderIn::plain(TenderKind::Card, money(5300))).await;
    let (refund, quantity) = refund_form(&shop, sale).await;
    for (typed, words) in [("5.00", "Shipping is refunded with a plain refund"), ("five", "five")] {
        let fields = [(quantity.as_str(), "1"), ("shipping", typed), ("do", "exchange")];
        let refused = refund.refused(&refund.path, &fields).await;
        refused.shows(&["id=\"fault-shipping\"", words]);
        assert_eq!(refused.field("<tbody>", "shipping"), typed);
        assert_eq!(refused.field("<tbody>", &quantity), "1");
    }
    assert!(shop.ledger().open_baskets(1).await.expect("baskets").is_empty());
    let fields = [(quantity.as_str(), "1"), ("shipping", "0.00"), ("do", "exchange")];
    refund.send(&refund.path, &fields).await.shows(&["Exchange</h2>"]);
}

#[tokio::test]
async fn nobody_is_paid_back_on_account_and_the_payment_is_of_what_the_page_showed() {
    let shop = TestShop::open().await;
    let sale = sell_cowl(&shop, TenderIn::plain(TenderKind::Card, money(4800))).await;
    let (refund, quantity) = refund_form(&shop, sale).await;
    let begun = refund.send(&refund.path, &[(&quantity, "1"), ("do", "exchange")]).await;
    let taken = begun.send(&format!("{}/scan", begun.path), &[("code", "HAT")]).await;
    taken.shows(&["Pay back", "$6.00"]);
    assert!(!taken.has("value=\"on-account\""), "{}", taken.page);
    let (revision, path) = (taken.field("/pay", "revision"), &taken.path);
    let fields = [("revision", revision.as_str()), ("by", "on-account")];
    let paying = taken.send(&format!("{path}/pay"), &fields).await;
    paying.shows(&["Pay back", "name=\"by\" value=\"cash\"", "name=\"left\" value=\"-600\""]);
    let action = format!("{path}/tender");
    let other = [("by", "cash"), ("due", "42.00"), ("left", "4200")];
    paying.refused(&action, &other).await.shows(&["$6.00 is to be paid back now", "It said $42.00"]);
    let done = paying.send(&action, &[("by", "on-account"), ("due", "42.00"), ("left", "-600")]).await;
    done.shows(&["Exchange complete", "Paid back: Cash", "$6.00"]);
}
