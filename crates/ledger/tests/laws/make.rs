//! Short constructors for commands' values. All goods are invented.

pub(crate) use testkit::make::{add, asked, code, with};

use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{HoldGroupId, SaleId, SaleLineId};
use domain::item::{TextEdit, TextField};
use domain::money::{Currency, Money};
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::stock::{ItemKind, ReturnDisposition};
use domain::weight::{Weight, WeightUnit};
use ledger::sales::{NewRefund, NewSale, RefundLine, RefundOf, RefundTender, SaleLineIn, TenderIn};
use ledger::shelf::{
    AddStyles, AdjustStock, Counted, EditItem, HoldLine, NewHold, NewItem, NewStyle, Purpose,
};

pub(crate) fn usd(minor: i64) -> Money {
    Money::from_minor(minor, Currency::USD).unwrap()
}

pub(crate) fn eur(minor: i64) -> Money {
    Money::from_minor(minor, Currency::from_code("EUR").unwrap()).unwrap()
}

pub(crate) fn currency(code: &str) -> Currency {
    Currency::from_code(code).unwrap()
}

pub(crate) fn dec(text: &str) -> rust_decimal::Decimal {
    text.parse().unwrap()
}

pub(crate) fn channel(code: &str) -> Channel {
    Channel::parse(code).unwrap()
}

/// `6.35 ONZ`.
pub(crate) fn weight(text: &str) -> Weight {
    let (value, unit) = text.split_once(' ').unwrap();
    Weight::parse(value, WeightUnit::from_code(unit).unwrap()).unwrap()
}

pub(crate) fn item(kind: ItemKind, sku: &str) -> NewItem {
    let named = of(testkit::make::item(kind, sku), [(TextField::Name, &format!("Item {sku}"))]);
    with(named, |i| i.pricing.price = Some(usd(1000)))
}

pub(crate) fn piece(sku: &str, price: i64) -> NewItem {
    with(item(ItemKind::Piece, sku), |i| i.pricing.price = Some(usd(price)))
}

pub(crate) fn counted(sku: &str, quantity: &str, price: i64) -> NewItem {
    with(item(ItemKind::Counted, sku), |i| {
        i.stock.quantity = Some(asked(quantity));
        i.pricing.price = Some(usd(price));
    })
}

/// Goods by weight, stocked and priced by the ounce.
pub(crate) fn by_ounce(sku: &str, quantity: &str, price: i64) -> NewItem {
    with(item(ItemKind::Weight, sku), |i| {
        i.stock.quantity = Some(asked(quantity));
        i.stock.stock_unit = Some(WeightUnit::Ounce);
        i.pricing.price = Some(usd(price));
    })
}

pub(crate) fn style(name: &str, rate: &str, unit: &str, ending: &str, minimum: Option<i64>) -> AddStyles {
    let rule = PriceRule {
        rate: WeightRate::parse(rate, unit).unwrap(),
        ending: PriceEnding::parse(ending, Currency::USD).unwrap(),
        minimum: minimum.map(usd),
    };
    let style = NewStyle {
        name: name.to_owned(),
        rule,
        sizes: vec!["S".to_owned(), "L".to_owned()],
        category: "hats".to_owned(),
        care: String::new(),
    };
    AddStyles { styles: vec![style], who: "maker".to_owned() }
}

pub(crate) fn edit(sku: &str) -> EditItem {
    EditItem::new(code(sku), "maker")
}

/// Says something about an item: `of(piece("p1", 100), [(TextField::Name, "Cap")])`.
pub(crate) fn of<const N: usize>(item: NewItem, texts: [(TextField, &str); N]) -> NewItem {
    NewItem { text: to(texts).applied(&item.text), ..item }
}

/// A change of an item's texts.
pub(crate) fn to<const N: usize>(texts: [(TextField, &str); N]) -> TextEdit {
    texts.into_iter().fold(TextEdit::default(), |edit, (field, text)| edit.with(field, text.to_owned()))
}

pub(crate) fn adjust(sku: &str, what: Counted) -> AdjustStock {
    AdjustStock { code: code(sku), what, note: "as told".to_owned(), who: "maker".to_owned() }
}

pub(crate) fn goods(sku: &str, quantity: &str) -> SaleLineIn {
    less(sku, quantity, 0, 0)
}

/// Goods with a discount and tax.
pub(crate) fn less(sku: &str, quantity: &str, discount: i64, tax: i64) -> SaleLineIn {
    SaleLineIn::Goods { code: code(sku), quantity: asked(quantity), discount: usd(discount), tax: usd(tax) }
}

pub(crate) fn tender(kind: TenderKind, amount: i64) -> TenderIn {
    TenderIn::plain(kind, usd(amount))
}

pub(crate) fn cash(amount: i64) -> Vec<TenderIn> {
    vec![tender(TenderKind::Cash, amount)]
}

pub(crate) fn card(amount: i64) -> Vec<TenderIn> {
    vec![tender(TenderKind::Card, amount)]
}

/// A sale in the store, now.
pub(crate) fn sale(lines: Vec<SaleLineIn>, tenders: Vec<TenderIn>) -> NewSale {
    NewSale {
        channel: Channel::store(),
        lines,
        discount: usd(0),
        shipping: usd(0),
        tenders,
        customer: None,
        is_granted: false,
        hold: None,
        at: None,
        note: String::new(),
        who: "counter".to_owned(),
    }
}

pub(crate) fn sale_of(sku: &str, paid: i64) -> NewSale {
    sale(vec![goods(sku, "1")], cash(paid))
}

pub(crate) fn hold(lines: &[(&str, &str)], purpose: Purpose, until: Option<Moment>) -> NewHold {
    let lines =
        lines.iter().map(|(sku, quantity)| HoldLine { code: code(sku), quantity: asked(quantity) }).collect();
    NewHold { lines, purpose, for_whom: "Ada".to_owned(), customer: None, until }
}

pub(crate) fn basket(lines: &[(&str, &str)]) -> NewHold {
    NewHold { for_whom: String::new(), ..hold(lines, Purpose::Basket, None) }
}

pub(crate) fn with_hold(sale: NewSale, hold: HoldGroupId) -> NewSale {
    NewSale { hold: Some(hold), ..sale }
}

/// Everything that is left of a sale, in cash.
pub(crate) fn whole(sale: SaleId, fate: ReturnDisposition) -> NewRefund {
    NewRefund {
        sale,
        lines: Vec::new(),
        fate,
        shipping: usd(0),
        tender: RefundTender::All(TenderKind::Cash),
        certificate: None,
        reason: "did not fit".to_owned(),
        who: "counter".to_owned(),
    }
}

/// Part of a line, in cash.
pub(crate) fn part(
    sale: SaleId,
    line: SaleLineId,
    quantity: Option<&str>,
    fate: ReturnDisposition,
) -> NewRefund {
    let line =
        RefundLine { line, what: quantity.map_or(RefundOf::Rest, |q| RefundOf::Goods(asked(q))), fate };
    NewRefund { lines: vec![line], ..whole(sale, fate) }
}
