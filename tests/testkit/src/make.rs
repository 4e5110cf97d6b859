//! Short constructors of commands' values. All goods are invented.

use domain::basket::TenderKind;
use domain::certificate::CertificateNumber;
use domain::channel::Channel;
use domain::codes::Code;
use domain::item::{ItemPricing, ItemStock, ItemText};
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use domain::stock::{ItemKind, ReturnDisposition};
use ledger::Ledger;
use ledger::sales::{NewCertificate, NewRefund, NewSale, RefundTender, SaleDone, SaleLineIn, TenderIn};
use ledger::shelf::{AddItems, NewItem};

/// US dollars.
pub fn usd(text: &str) -> Money {
    Money::parse(text, Currency::USD).expect("an amount")
}

pub fn code(text: &str) -> Code {
    Code::parse(text).expect("a code")
}

/// `2`, or `2.5 LBR`.
pub fn asked(text: &str) -> Asked {
    let (value, unit) = text.split_once(' ').map_or((text, None), |(value, unit)| (value, Some(unit)));
    Asked::parse(value, unit).expect("a quantity")
}

/// Of this kind and without anything else: most kinds need a price, a quantity or a unit yet.
pub fn item(kind: ItemKind, sku: &str) -> NewItem {
    NewItem {
        text: ItemText { name: format!("Thing {sku}"), ..ItemText::default() },
        sku: Some(code(sku)),
        gtin: None,
        pricing: ItemPricing::none(Currency::USD),
        stock: ItemStock::of(kind),
    }
}

/// The same, changed: `with(item(..), |i| i.pricing.cost = Some(usd("4.00")))`.
pub fn with<T>(mut value: T, change: impl FnOnce(&mut T)) -> T {
    change(&mut value);
    value
}

pub fn add(items: Vec<NewItem>) -> AddItems {
    AddItems { items, who: "maker".to_owned(), progress: None }
}

/// Rings up one at its price.
pub async fn sell(ledger: &Ledger, sku: &str) -> SaleDone {
    let price = ledger.item(&code(sku)).await.expect("an item").price;
    let zero = Money::zero(Currency::USD);
    let line = SaleLineIn::Goods { code: code(sku), quantity: Asked::ONE, discount: zero, tax: zero };
    let sale = NewSale {
        channel: Channel::store(),
        lines: vec![line],
        discount: zero,
        shipping: zero,
        tenders: vec![TenderIn::plain(TenderKind::Card, price)],
        customer: None,
        is_granted: false,
        hold: None,
        at: None,
        note: String::new(),
        who: "test".to_owned(),
    };
    ledger.execute(None, &sale).await.expect("a sale").answer
}

/// A gift certificate for nobody in particular. Each seed has a number of its own.
pub fn certificate(seed: u32) -> NewCertificate {
    let [a, b, c, d] = seed.to_be_bytes();
    let mut tries = 0;
    let number = CertificateNumber::draw(|| {
        tries += 1;
        [a, b, c, d, tries, 0, 0, 0, 0, 1]
    });
    NewCertificate::for_anybody(number)
}

/// Refunds a whole sale; the goods go back to stock.
pub async fn take_back(ledger: &Ledger, sale: &SaleDone) {
    let refund = NewRefund {
        sale: sale.id,
        lines: Vec::new(),
        fate: ReturnDisposition::Shelf,
        shipping: Money::zero(Currency::USD),
        tender: RefundTender::All(TenderKind::Card),
        certificate: None,
        reason: "too small".to_owned(),
        who: "test".to_owned(),
    };
    ledger.execute(None, &refund).await.expect("a refund");
}
