//! States of different times arrive in any order and any number of times: the order ends as the latest.

use crate::build::{ZERO, item, line, order, take, told};
use domain::money::{Currency, Money};
use domain::order::{IncomingOrder, LinePrice, OrderStatus, Standing};
use domain::stock::ItemKind;
use ledger::books::{BooksBy, BooksQuery};
use ledger::orders::OrderLineState;
use ledger::shelf::AddItems;
use testkit::{START, TestShop, shops};

/// Orders in one run; each has its own states.
const ORDERS: u64 = 40;

/// Numbers that look random and are the same each time (Marsaglia's xorshift64, from memory).
struct Drawn(u64);

impl Drawn {
    fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        self.0 % bound
    }

    fn money(&mut self, bound: u64) -> Money {
        Money::from_minor(i64::try_from(self.below(bound)).unwrap(), Currency::USD).unwrap()
    }

    fn is_one_in(&mut self, bound: u64) -> bool {
        self.below(bound) == 0
    }
}

const SKUS: [&str; 3] = ["A", "B", "C"];

/// More of everything than all orders together ask for, so that no line is ever short.
async fn stocked() -> Vec<TestShop> {
    let shops = shops().await;
    for shop in &shops {
        let items = SKUS.map(|sku| item(sku, ItemKind::Counted, "5.00", "100000")).to_vec();
        let added = AddItems { items, who: "test".to_owned(), progress: None };
        shop.ledger.execute(None, &added).await.unwrap();
    }
    shops
}

fn state(drawn: &mut Drawn, of: &IncomingOrder, minutes: i64) -> IncomingOrder {
    let statuses = [
        OrderStatus::OrderPaymentDue,
        OrderStatus::OrderProcessing,
        OrderStatus::OrderProcessing,
        OrderStatus::OrderInTransit,
        OrderStatus::OrderDelivered,
        OrderStatus::OrderCancelled,
    ];
    let mut lines = Vec::new();
    for _ in 0..=drawn.below(3) {
        let sku = SKUS[usize::try_from(drawn.below(3)).unwrap()];
        let quantity = (1 + drawn.below(6)).to_string();
        let mut line = line(sku, &quantity, "1.00");
        line.price = match drawn.below(3) {
            0 => LinePrice::Each(Money::from_minor(777, Currency::USD).unwrap()),
            1 => LinePrice::Each(Money::from_minor(1000, Currency::USD).unwrap()),
            _ => LinePrice::Line(Money::from_minor(1001, Currency::USD).unwrap()),
        };
        line.discount = if drawn.is_one_in(2) { drawn.money(400) } else { ZERO };
        line.tax = if drawn.is_one_in(2) { drawn.money(300) } else { ZERO };
        lines.push(line);
    }
    IncomingOrder {
        modified: Some(START.plus_millis(minutes * 60_000)),
        status: statuses[usize::try_from(drawn.below(6)).unwrap()],
        lines,
        discount: if drawn.is_one_in(3) { drawn.money(300) } else { ZERO },
        shipping: if drawn.is_one_in(2) { drawn.money(900) } else { ZERO },
        fee: if drawn.is_one_in(2) { drawn.money(200) } else { ZERO },
        ..of.clone()
    }
}

/// Units, goods less discounts, tax, shipping and fees in all books.
async fn booked(shop: &TestShop) -> [i64; 5] {
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    let rows = shop.ledger.books(&query).await.unwrap();
    rows.first().map_or([0; 5], |row| {
        let f = &row.figures;
        [f.units, f.net().unwrap().minor(), f.tax.minor(), f.shipping.minor(), f.fees.minor()]
    })
}

/// The totals of a paid state, by its own arithmetic.
fn said(of: &IncomingOrder) -> [i64; 5] {
    let (mut units, mut goods, mut tax) = (0, -of.discount.minor(), 0);
    for line in &of.lines {
        let quantity = i64::try_from(line.quantity.value.mantissa()).unwrap();
        let amount = match line.price {
            LinePrice::Each(price) => price.minor() * quantity,
            LinePrice::Line(amount) => amount.minor(),
        };
        units += quantity;
        goods += amount - line.discount.minor();
        tax += line.tax.minor();
    }
    [units, goods, tax, of.shipping.minor(), of.fee.minor()]
}

async fn ends_as_the_latest(shop: &TestShop, latest: &IncomingOrder, before: [i64; 5], told: &[String]) {
    let after = booked(shop).await;
    let mut found: Vec<i64> = after.iter().zip(before).map(|(after, before)| after - before).collect();
    let mut expected = match latest.status.standing() {
        Standing::Sold => said(latest).to_vec(),
        Standing::Unpaid | Standing::Undone => vec![0; 5],
    };
    if latest.status.standing() != Standing::Sold {
        // Once anything of it was sold, the channel keeps its fee.
        (found[4], expected[4]) = (0, 0);
    }
    assert_eq!(found, expected, "{}: {told:#?}\n{latest:?}", shop.engine);
    let view = shop.ledger.orders(None, false, 1).await.unwrap().remove(0);
    assert_eq!(view.status, latest.status, "{}: {told:#?}", shop.engine);
    let held = view.lines.iter().filter(|l| l.state == OrderLineState::Held).count();
    assert_eq!(held > 0, latest.status.standing() == Standing::Unpaid, "{}: {told:#?}", shop.engine);
    let open = view.lines.iter().filter(|l| l.state == OrderLineState::Short).count();
    assert_eq!(open, 0, "{}", shop.engine);
}

#[tokio::test]
async fn states_in_any_order_and_number_end_as_the_latest() {
    for shop in stocked().await {
        for seed in 1..=ORDERS {
            let mut drawn = Drawn(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15));
            let of = order(&format!("H-{seed}"), Vec::new());
            let count = 2 + drawn.below(4);
            let states: Vec<IncomingOrder> =
                (1..=i64::try_from(count).unwrap()).map(|n| state(&mut drawn, &of, n * 7)).collect();
            let mut sent: Vec<&IncomingOrder> = states.iter().collect();
            for _ in 0..drawn.below(4) {
                let again = usize::try_from(drawn.below(count)).unwrap();
                sent.push(&states[again]);
            }
            for at in (1..sent.len()).rev() {
                let other = usize::try_from(drawn.below(u64::try_from(at + 1).unwrap())).unwrap();
                sent.swap(at, other);
            }
            let before = booked(&shop).await;
            let mut said = Vec::new();
            for one in sent {
                let outcome = told(&take(&shop, one).await);
                assert!(!outcome.starts_with("rejected"), "{}: {outcome}\n{one:?}", shop.engine);
                said.push(format!("{:?} {}: {outcome}", one.modified, one.status));
            }
            ends_as_the_latest(&shop, states.last().unwrap(), before, &said).await;
        }
        let report = shop.ledger.check(|_| ()).await.unwrap();
        assert!(report.is_clean(), "{}: {:?}", shop.engine, report.findings);
        shop.end().await;
    }
}
