//! Actions at the counter, for every test of the exchange.

use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::codes::Code;
use domain::money::{Currency, Money};
use domain::quantity::Asked;
use domain::stock::ReturnDisposition;
use ledger::Ledger;
use ledger::sales::{NewRefund, NewSale, RefundTender, SaleDone, SaleLineIn, TenderIn};

/// Rings up one at its price.
pub(crate) async fn sell(ledger: &Ledger, sku: &str) -> SaleDone {
    let code = Code::parse(sku).unwrap();
    let price = ledger.item(&code).await.unwrap().price;
    let zero = Money::zero(Currency::USD);
    let line = SaleLineIn::Goods { code, quantity: Asked::ONE, discount: zero, tax: zero };
    let sale = NewSale {
        channel: Channel::store(),
        lines: vec![line],
        discount: zero,
        shipping: zero,
        tenders: vec![TenderIn::plain(TenderKind::Card, price)],
        hold: None,
        at: None,
        note: String::new(),
        who: "test".to_owned(),
    };
    ledger.execute(None, &sale).await.unwrap().answer
}

/// Refunds a whole sale; the goods go back to stock.
pub(crate) async fn take_back(ledger: &Ledger, sale: &SaleDone) {
    let refund = NewRefund {
        sale: sale.id,
        lines: Vec::new(),
        fate: ReturnDisposition::Shelf,
        shipping: Money::zero(Currency::USD),
        tender: RefundTender::All(TenderKind::Card),
        reason: "too small".to_owned(),
        who: "test".to_owned(),
    };
    ledger.execute(None, &refund).await.unwrap();
}
