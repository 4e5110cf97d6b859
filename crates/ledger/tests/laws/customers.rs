//! Customers: found, sold to on their terms, given out, and erased without a sum changing.

use crate::audit;
use crate::expected::*;
use crate::harness::*;
use crate::make::*;
use domain::channel::Channel;
use domain::customer::{BasisPoints, Contact, CustomerError, Exemption, Terms};
use domain::day::Day;
use domain::ids::{BasketId, CustomerId};
use domain::limits::LimitName;
use domain::order::{Customer, IncomingLine, IncomingOrder, LinePrice, OrderNumber, OrderStatus};
use domain::people::Role;
use ledger::customers::{AddCustomer, CustomerState, EditCustomer, FindCustomers, SetTerms};
use ledger::keeping::{EraseCustomer, SetShop, SweepPersonalData};
use ledger::orders::{EndHold, TakeOrders};
use ledger::people::{LimitsOf, SetLimits};
use ledger::rejection::CustomersReason;
use ledger::sales::{
    BasketChange, BasketFromHold, BringInCertificate, ChangeBasket, HoldBasket, NewCertificate, NewSale,
    OpenBasket, Pay, PayBasket, SaleCustomer, SetBasketAside, StopPaying, TenderIn,
};
use ledger::shelf::{NewHold, Purpose};
use ledger::{Actor, Key};

fn contact(name: &str, email: &str, phone: &str) -> Contact {
    let text = |text: &str| text.to_owned();
    Contact { name: text(name), email: text(email), phone: text(phone), note: String::new() }
}

fn new(contact: Contact) -> AddCustomer {
    AddCustomer { contact, who: "Maud".to_owned() }
}

async fn ada(shop: &Shop) -> CustomerId {
    shop.ok(new(contact("Ada Moss", "ada@example.com", "+1 802 555 0142"))).await
}

fn terms(discount: &str) -> Terms {
    let keep_until = Day::parse("2028-01-31").unwrap();
    Terms {
        wholesale: true,
        exemption: Some(Exemption { certificate: "VT-1".to_owned(), keep_until }),
        discount: Some(BasisPoints::parse(discount).unwrap()),
    }
}

fn set(customer: CustomerId, revision: i64, terms: Terms) -> SetTerms {
    SetTerms { customer, revision, terms, who: "Maud".to_owned() }
}

fn erase(customer: CustomerId) -> EraseCustomer {
    EraseCustomer { customer, who: "Maud".to_owned() }
}

fn later(amount: i64, customer: &str) -> TenderIn {
    let due = Some(Day::parse("2026-06-17").unwrap());
    TenderIn { customer: customer.to_owned(), due, ..tender(domain::basket::TenderKind::OnAccount, amount) }
}

fn not_there() -> Expected {
    invalid("customer", CustomersReason::NotThere)
}

async fn begin(shop: &Shop, customer: CustomerId, skus: &[&str]) -> BasketId {
    let first = Some(BasketChange::Customer { customer: Some(customer) });
    let open = OpenBasket { channel: Channel::store(), first, who: "Ash".to_owned() };
    let basket = shop.ok(open).await;
    for sku in skus {
        change(shop, basket, BasketChange::Add { code: code(sku), quantity: None }).await;
    }
    basket
}

async fn change(shop: &Shop, basket: BasketId, change: BasketChange) {
    shop.ok(ChangeBasket { basket, revision: None, change }).await;
}

async fn hold_lines(shop: &Shop, basket: BasketId) {
    let revision = shop.ledger.basket(basket).await.unwrap().revision;
    shop.ok(HoldBasket { basket, revision, without: Vec::new(), who: "Ash".to_owned() }).await;
}

fn pay(basket: BasketId, due: i64, tender: TenderIn) -> PayBasket {
    PayBasket { basket, due: usd(due), left: None, tender, who: "Ash".to_owned() }
}

async fn found(shop: &Shop, words: &str) -> Vec<String> {
    let find = FindCustomers { words: words.to_owned(), before: None };
    let found = shop.ledger.find_customers(&find, 10).await.unwrap();
    found.into_iter().map(|customer| customer.name).collect()
}

/// Every text of the shop in which a name might stand.
async fn texts(shop: &Shop) -> String {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("shop.backup");
    shop.ledger.backup(&file, |_, _| ()).await.unwrap();
    std::fs::read_to_string(&file).unwrap()
}

#[test]
fn customers_are_found_and_changed_on_their_revision() {
    on_each(|shop| async move {
        let id = ada(&shop).await;
        shop.ok(new(contact("Bea Fern", "", ""))).await;
        for (words, expected) in [
            ("", &["Bea Fern", "Ada Moss"][..]),
            ("MOSS a", &["Ada Moss"]),
            ("example.com", &["Ada Moss"]),
            ("(802) 555", &["Ada Moss"]),
            ("zed", &[]),
        ] {
            assert_eq!(found(&shop, words).await, expected, "{words}");
        }
        let edit =
            |revision, contact| EditCustomer { customer: id, revision, contact, who: "Maud".to_owned() };
        let fern = contact("Ada Fern", "ADA@example.com", "");
        assert_eq!(shop.ok(edit(1, fern.clone())).await, 2);
        shop.refuses(edit(1, fern.clone()), stale(Edited::Customer, 1, 2)).await;
        assert_eq!(found(&shop, "555").await, Vec::<String>::new());
        let taken = CustomersReason::EmailTaken { name: "Ada Fern".to_owned() };
        shop.refuses(new(contact("Cy", "ada@EXAMPLE.com", "")), invalid("email", taken)).await;
        shop.refuses(new(contact(" ", "", "")), invalid("name", TextError::Empty)).await;
        shop.refuses(new(contact("Cy", "cy@", "")), invalid("email", CustomerError::NotAnEmail)).await;
        shop.refuses(new(contact("Cy", "", "1")), invalid("telephone", CustomerError::NotAPhone)).await;
        shop.refuses(set(CustomerId::from_raw(7), 1, terms("10")), no_such(Thing::Customer, 7)).await;
        // The log names the fields, never what stood in them.
        let log = shop.ledger.activity(None, 10).await.unwrap();
        assert_eq!((log[0].what.as_str(), log[0].detail.as_str()), ("Ada Fern", "name, email, phone"));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_customers_discount_and_terms_go_with_the_sale() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 2000)])).await;
        let id = ada(&shop).await;
        shop.ok(set(id, 1, terms("10"))).await;
        let basket = begin(&shop, id, &["p1", "p2"]).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!(
            (view.due, view.discount, view.off_reason.as_str()),
            (usd(2700), usd(300), "customer discount")
        );
        change(&shop, basket, BasketChange::Customer { customer: None }).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!((view.due, view.off, view.customer), (usd(3000), None, None));
        // A discount that somebody gave stays when a customer is chosen.
        let off = domain::discount::Off::parse("1.00", domain::money::Currency::USD).ok();
        change(&shop, basket, BasketChange::Discount { off, reason: "a friend".to_owned() }).await;
        change(&shop, basket, BasketChange::Customer { customer: Some(id) }).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!((view.due, view.off_reason.as_str()), (usd(2900), "a friend"));
        change(&shop, basket, BasketChange::Discount { off: None, reason: String::new() }).await;
        change(&shop, basket, BasketChange::Customer { customer: Some(id) }).await;
        hold_lines(&shop, basket).await;
        // On account without a name is the sale's customer.
        let paid = shop.ok(pay(basket, 2700, later(2700, ""))).await;
        let sale = shop.ledger.sale(paid.sale.unwrap()).await.unwrap();
        let on_the_sale = SaleCustomer {
            on_file: Some(id),
            name: "Ada Moss".to_owned(),
            is_wholesale: true,
            is_tax_exempt: true,
        };
        assert_eq!(sale.customer, Some(on_the_sale.clone()));
        assert_eq!(
            (sale.tenders[0].tender.on_file, sale.tenders[0].tender.customer.as_str()),
            (Some(id), "Ada Moss")
        );
        let debts = shop.ledger.debts_of(id).await.unwrap();
        assert_eq!(debts.iter().map(|debt| debt.left).collect::<Vec<_>>(), [usd(2700)]);
        // Terms that change later leave the sale as it was.
        shop.ok(set(id, 2, Terms::default())).await;
        assert_eq!(shop.ledger.sale(sale.id).await.unwrap().customer, Some(on_the_sale));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_discount_by_terms_is_no_limit_of_who_rings_up() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let id = ada(&shop).await;
        shop.ok(set(id, 1, terms("30"))).await;
        let values = vec![(LimitName::Discount, "5".to_owned())];
        shop.ok(SetLimits { of: LimitsOf::Role(Role::Counter), values, who: "Maud".to_owned() }).await;
        let basket = begin(&shop, id, &["p1"]).await;
        let clerk = |key: &str| {
            let actor = Actor { who: "Ash".to_owned(), role: Role::Counter, token: None };
            Key::new("customers", key, b"").unwrap().sent_by(actor)
        };
        let revision = shop.ledger.basket(basket).await.unwrap().revision;
        let hold = HoldBasket { basket, revision, without: Vec::new(), who: "Ash".to_owned() };
        shop.ledger.execute(Some(&clerk("h")), &hold).await.unwrap();
        let paid = pay(basket, 700, tender(domain::basket::TenderKind::Card, 700));
        assert!(shop.ledger.execute(Some(&clerk("p")), &paid).await.unwrap().answer.rung_up);
        audit::clean(&shop).await;
    });
}

#[test]
fn a_hold_is_the_customers_and_rings_up_on_their_terms() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000)])).await;
        let id = ada(&shop).await;
        shop.ok(set(id, 1, terms("10"))).await;
        let basket = begin(&shop, id, &["p1"]).await;
        let revision = shop.ledger.basket(basket).await.unwrap().revision;
        let aside = SetBasketAside { basket, revision, for_whom: "ada moss".to_owned(), until: None };
        let group = shop.ok(aside).await;
        let holds = shop.ledger.holds_for(id).await.unwrap();
        assert_eq!((holds.len(), holds[0].for_whom.as_str(), holds[0].customer), (1, "Ada Moss", Some(id)));
        shop.refuses(sale_of("p1", 1000), on_hold_for("Ada Moss")).await;
        shop.refuses(erase(id), invalid("customer", CustomersReason::HasHolds)).await;
        let from = BasketFromHold { hold: group, channel: Channel::store(), who: "Ash".to_owned() };
        let again = shop.ok(from).await;
        let view = shop.ledger.basket(again).await.unwrap();
        assert_eq!((view.due, view.customer.and_then(|customer| customer.on_file)), (usd(900), Some(id)));
        let hold = NewHold {
            customer: Some(CustomerId::from_raw(9)),
            ..hold(&[("p2", "1")], Purpose::Customer, None)
        };
        shop.refuses(hold, not_there()).await;
        audit::clean(&shop).await;
    });
}

#[test]
fn a_name_typed_for_a_payment_that_was_taken_back_is_forgotten() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let id = ada(&shop).await;
        let basket = begin(&shop, id, &["p1"]).await;
        hold_lines(&shop, basket).await;
        shop.ok(pay(basket, 1000, later(400, "Quill Rowan"))).await;
        assert!(texts(&shop).await.contains("Quill Rowan"));
        shop.ok(StopPaying { basket }).await;
        assert!(!texts(&shop).await.contains("Quill Rowan"));
        assert!(texts(&shop).await.contains("Ada Moss"), "who is on file stays");
    });
}

fn order(number: &str, name: &str, email: &str) -> IncomingOrder {
    let line = IncomingLine {
        code: Some(code("kit")),
        name: String::new(),
        quantity: asked("1"),
        price: LinePrice::Each(usd(1200)),
        discount: usd(0),
        tax: usd(0),
    };
    IncomingOrder {
        channel: Channel::online(),
        number: OrderNumber::parse(number).unwrap(),
        ordered: START,
        modified: None,
        status: OrderStatus::OrderProcessing,
        lines: vec![line],
        refunds: Vec::new(),
        discount: usd(0),
        shipping: usd(0),
        fee: usd(0),
        customer: Customer { name: name.to_owned(), email: email.to_owned() },
    }
}

async fn take(shop: &Shop, orders: Vec<IncomingOrder>) {
    let batch = TakeOrders { orders, past: false, who: "feed".to_owned() };
    shop.ledger.take_orders(&batch).await.unwrap();
}

/// A customer who bought, ordered, owed and had something on hold, all of it settled.
async fn a_whole_life(shop: &Shop) -> CustomerId {
    shop.ok(add(vec![piece("p1", 1000), piece("p2", 1000), piece("p3", 1000), counted("kit", "5", 1200)]))
        .await;
    let id = ada(shop).await;
    shop.ok(set(id, 1, terms("10"))).await;
    let owed = NewSale { customer: Some(id), tenders: vec![later(1000, "")], ..sale_of("p1", 0) };
    let sold = shop.ok(owed).await;
    let tender = shop.ledger.sale(sold.id).await.unwrap().tenders[0].id;
    shop.refuses(erase(id), invalid("customer", CustomersReason::OwesMoney { owed: usd(1000) })).await;
    let kind = domain::basket::TenderKind::Cash;
    shop.ok(Pay { tender, kind, amount: usd(1000), certificate: None, who: "Ash".to_owned() }).await;
    let hold = NewHold { for_whom: "ADA MOSS".to_owned(), ..hold(&[("p2", "1")], Purpose::Customer, None) };
    let held = shop.ok(hold).await;
    shop.refuses(erase(id), invalid("customer", CustomersReason::HasHolds)).await;
    shop.ok(EndHold { id: held.id }).await;
    let certificate = NewCertificate { holder: "Ada Moss".to_owned(), ..testkit::make::certificate(1) };
    let note = String::new();
    shop.ok(BringInCertificate { certificate, amount: usd(500), note, who: "Ash".to_owned() }).await;
    take(shop, vec![order("A-1", "A. Moss", "ADA@example.com"), order("B-1", "Ben Ash", "ben@example.com")])
        .await;
    id
}

#[test]
fn erasing_blanks_the_person_everywhere_and_no_sum_changes() {
    on_each(|shop| async move {
        let id = a_whole_life(&shop).await;
        let books = "SELECT CAST(SUM(gross) AS BIGINT) FROM day_total";
        let (before, sales) = (shop.number(books).await, shop.ledger.sales_to(id, 10).await.unwrap().len());
        assert_eq!(sales, 2, "one at the counter, one online");
        shop.ok(erase(id)).await;
        let text = texts(&shop).await.to_lowercase();
        for gone in ["ada@example.com", "a. moss", "ada moss", "802 555"] {
            // The exemption's certificate keeps the name in one place.
            let places = text.matches(gone).count();
            assert_eq!(places, usize::from(gone == "ada moss"), "{gone}: {places} times");
        }
        assert!(text.contains("ben@example.com"), "another buyer stays");
        assert_eq!(shop.number(books).await, before);
        let customer = shop.ledger.customer(id).await.unwrap();
        let kept = matches!(&customer.state, CustomerState::Erased { kept_name: Some(name), .. } if name == "Ada Moss");
        assert!(kept, "{:?}", customer.state);
        assert_eq!((customer.terms.wholesale, customer.terms.discount), (false, None));
        assert_eq!(found(&shop, "").await, Vec::<String>::new());
        shop.refuses(erase(id), not_there()).await;
        shop.refuses(set(id, customer.revision, terms("5")), not_there()).await;
        let edit = EditCustomer {
            customer: id,
            revision: customer.revision,
            contact: contact("Ada", "", ""),
            who: String::new(),
        };
        shop.refuses(edit, not_there()).await;
        shop.refuses(NewSale { customer: Some(id), ..sale_of("p3", 1000) }, not_there()).await;
        audit::clean(&shop).await;
        // Once the certificate need not be kept any longer, the name goes too.
        shop.clock.advance_millis(660 * DAY_MS);
        assert!(shop.ledger.has_personal_data_to_blank().await.unwrap());
        assert_eq!(shop.ok(SweepPersonalData).await, 1);
        assert!(!texts(&shop).await.contains("Ada Moss"));
        assert!(!shop.ledger.has_personal_data_to_blank().await.unwrap());
        audit::clean(&shop).await;
    });
}

#[test]
fn an_export_has_everything_and_nobody_else() {
    on_each(|shop| async move {
        let id = a_whole_life(&shop).await;
        let export = shop.ledger.export_customer(id, "Maud").await.unwrap();
        assert_eq!(
            (export.customer.email.as_str(), export.certificate.as_deref()),
            ("ada@example.com", Some("VT-1"))
        );
        let sales: Vec<_> = export.sales.iter().map(|sale| (sale.receipt, sale.total.as_str())).collect();
        assert_eq!(sales, [(Some(1), "10.00"), (Some(2), "12.00")]);
        assert_eq!(
            export.payments.iter().map(|payment| payment.amount.as_str()).collect::<Vec<_>>(),
            ["10.00"]
        );
        assert_eq!(export.holds.iter().map(|hold| hold.line.sku.as_str()).collect::<Vec<_>>(), ["p2"]);
        assert_eq!(
            export.typed_names.iter().map(|typed| typed.name.as_str()).collect::<Vec<_>>(),
            ["ADA MOSS", "Ada Moss"]
        );
        let certificates = export.gift_certificates.iter().map(|one| one.balance.as_str());
        assert_eq!(certificates.collect::<Vec<_>>(), ["5.00"]);
        let orders: Vec<_> =
            export.orders.iter().map(|order| (order.order_number.as_str(), order.lines.len())).collect();
        assert_eq!(orders, [("A-1", 1)]);
        let acts: Vec<_> = export.activity.iter().map(|entry| entry.act.as_str()).collect();
        assert_eq!(acts, ["customer-added", "customer-terms", "customer-exported"]);
        let text = serde_json::to_string(&export).unwrap();
        assert!(!text.contains("Ben Ash"), "{text}");
    });
}

#[test]
fn orders_are_blanked_after_the_days_that_the_owner_set() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("kit", "1", 1200)])).await;
        // The second one is out of stock and waits for a person.
        take(&shop, vec![order("A-1", "Ada Moss", "ada@example.com"), order("A-2", "Bea Fern", "")]).await;
        shop.clock.advance_millis(40 * DAY_MS);
        assert!(!shop.ledger.has_personal_data_to_blank().await.unwrap(), "never, unless it is set");
        let days = |value: &str| SetShop {
            key: "blank_orders_after".to_owned(),
            value: value.to_owned(),
            who: "Maud".to_owned(),
        };
        let out_of_range = CustomersReason::NotOrderDays { least: 7, most: 36_500 };
        shop.refuses(days("6"), invalid("blank_orders_after", out_of_range)).await;
        shop.ok(days("60")).await;
        assert_eq!(shop.ok(SweepPersonalData).await, 0);
        shop.ok(days("30")).await;
        assert!(shop.ledger.has_personal_data_to_blank().await.unwrap());
        assert_eq!(shop.ok(SweepPersonalData).await, 1);
        let text = texts(&shop).await;
        assert!(!text.contains("Ada Moss") && text.contains("Bea Fern"), "what waits keeps its buyer");
        assert!(!shop.ledger.has_personal_data_to_blank().await.unwrap());
        // The same order again changes nothing and brings nobody back.
        take(&shop, vec![order("A-1", "Ada Moss", "ada@example.com")]).await;
        assert!(!texts(&shop).await.contains("Ada Moss"));
        audit::clean(&shop).await;
    });
}

#[test]
fn a_discount_or_hold_at_the_moment_of_erasing_loses_nothing() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 1000)])).await;
        let id = ada(&shop).await;
        shop.ok(set(id, 1, terms("10"))).await;
        let basket = begin(&shop, id, &["p1"]).await;
        hold_lines(&shop, basket).await;
        shop.ok(erase(id)).await;
        // The price that was said stays, and the sale is nobody's.
        let paid = shop.ok(pay(basket, 900, tender(domain::basket::TenderKind::Card, 900))).await;
        assert_eq!(shop.ledger.sale(paid.sale.unwrap()).await.unwrap().customer, None);
        audit::clean(&shop).await;
    });
}
