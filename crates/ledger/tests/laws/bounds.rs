//! Limits of amounts, quantities and sums: absurd values are refused with a reason, and block nobody else.

use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, Shop, on_each};
use crate::make::*;
use domain::basket::{LineKind, TenderKind};
use domain::channel::Channel;
use domain::day::Day;
use domain::money::{MAX_AMOUNT, MAX_DAY, MAX_DRAWER};
use domain::quantity::MAX_DAY_MASS;
use domain::stock::{ItemKind, ReturnDisposition};
use domain::weight::WeightUnit;
use ledger::books::{BooksBy, BooksQuery};
use ledger::sales::{NewSale, OpenDrawer, PutIn, SaleLineIn, TakeOut, VoidSale};
use ledger::shelf::NewItem;
use testkit::make::certificate;

fn by_kilogram(sku: &str, quantity: &str, price: i64) -> NewItem {
    let unit = Some(WeightUnit::Kilogram);
    with(item(ItemKind::Weight, sku), |i| {
        i.stock.quantity = Some(asked(quantity));
        i.stock.stock_unit = unit;
        i.pricing.price = Some(usd(price));
    })
}

fn paper(amount: i64) -> SaleLineIn {
    let title = "Gift note".to_owned();
    SaleLineIn::Paper {
        kind: LineKind::GiftCertificate,
        title,
        amount: usd(amount),
        certificate: Some(certificate(1)),
    }
}

/// Gross, weight in ounces and cost of everything.
async fn books(shop: &Shop) -> (i64, String, i64) {
    let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
    let figures = shop.ledger.books(&query).await.unwrap()[0].figures;
    (figures.gross.minor(), figures.ounces().to_string(), figures.cost.minor())
}

#[test]
fn an_absurd_sale_is_refused_and_stops_no_other() {
    on_each(|shop| async move {
        let costly = with(counted("costly", "9", 100), |i| i.pricing.cost = Some(usd(MAX_AMOUNT)));
        shop.ok(add(vec![
            counted("c1", "1000000000", 100),
            counted("dear", "1000000", MAX_AMOUNT),
            by_kilogram("wool", "1000000", 1),
            costly,
        ]))
        .await;
        let (most, card) = (MAX_AMOUNT, |amount| vec![tender(TenderKind::Card, amount)]);
        let many = |lines: Vec<SaleLineIn>, amount| sale(lines, card(amount));
        let refused: Vec<(NewSale, Expected)> = vec![
            (many(vec![goods("c1", "1000001")], 100_000_100), line_too_large()),
            (many(vec![goods("wool", "1000.001")], 1000), line_too_large()),
            (many(vec![goods("dear", "2")], 2 * most), amount_too_large()),
            (many(vec![goods("dear", "1"), goods("c1", "1")], most + 100), amount_too_large()),
            (many(vec![goods("costly", "2")], 200), amount_too_large()),
            (many(vec![less("c1", "1", 0, most + 1)], most + 101), amount_too_large()),
            (many(vec![less("c1", "1", most + 1, 0)], 0), amount_too_large()),
            (many(vec![paper(most), paper(1)], most + 1), amount_too_large()),
            (
                NewSale { shipping: usd(most + 1), ..many(vec![goods("c1", "1")], most + 101) },
                amount_too_large(),
            ),
            (NewSale { shipping: usd(most), ..many(vec![goods("c1", "1")], most + 100) }, amount_too_large()),
            (sale(vec![goods("c1", "1")], cash(most + 1)), amount_too_large()),
            (sale(vec![goods("c1", "1")], [cash(most), cash(most)].concat()), amount_too_large()),
        ];
        for (sale, expected) in refused {
            shop.refuses(sale, expected).await;
        }
        let refused = shop.ok(add(vec![piece("p1", MAX_AMOUNT + 1)])).await;
        let [ledger::shelf::RowOutcome::Refused(refused)] = refused.as_slice() else { panic!("{refused:?}") };
        amount_too_large().check(refused, shop.engine);
        shop.ok(sale_of("c1", 100)).await;
        assert_eq!(books(&shop).await, (100, "0.00".to_owned(), 0));
        audit::clean(&shop).await;
    });
}

/// Ten sales at the limit used to fill a day. Beyond the day's own limit a sale is refused with a reason,
/// smaller sales go on, and a void makes room again.
#[test]
fn a_full_day_refuses_what_passes_it_and_takes_the_rest() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("dear", "1000000", MAX_AMOUNT), counted("c1", "100", 100)])).await;
        let dear = || sale(vec![goods("dear", "1")], card(MAX_AMOUNT));
        let mut last = None;
        for _ in 0..20 {
            last = Some(shop.ok(dear()).await.id);
        }
        audit::clean(&shop).await;
        // Ten thousand of them would take long: the day is brought near its limit directly in the database.
        let near = MAX_DAY - MAX_AMOUNT + 1;
        let lift = format!("UPDATE day_total SET gross = gross + {}", near - 20 * MAX_AMOUNT);
        sqlx::query(sqlx::AssertSqlSafe(lift)).execute(&mut *shop.raw().await).await.unwrap();
        shop.refuses(
            dear(),
            invalid(
                "lines",
                BooksReason::DayFull { channel: channel("store"), day: Day::parse("2026-05-17").unwrap() },
            ),
        )
        .await;
        shop.ok(sale_of("c1", 100)).await;
        // Other channels and other days have limits of their own.
        shop.ok(NewSale { channel: channel("market"), ..dear() }).await;
        let void = |sale| VoidSale { sale, reason: "typed wrong".to_owned(), who: "counter".to_owned() };
        shop.ok(void(last.unwrap())).await;
        shop.ok(dear()).await;
        shop.clock.advance_millis(DAY_MS);
        shop.ok(dear()).await;
        let query = |by| BooksQuery { from: None, to: None, by };
        let rows = shop.ledger.books(&query(BooksBy { channel: true, ..BooksBy::default() })).await.unwrap();
        let gross: Vec<i64> = rows.iter().map(|row| row.figures.gross.minor()).collect();
        assert_eq!(gross, [MAX_AMOUNT, near + 100 + MAX_AMOUNT]);
        let report = shop.ledger.check(|_| ()).await.unwrap();
        assert!(!report.is_clean(), "the day was lifted past the ledger");
        let lower = format!(
            "UPDATE day_total SET gross = gross - {} WHERE day = 20260517 AND channel = 'store'",
            near - 20 * MAX_AMOUNT
        );
        sqlx::query(sqlx::AssertSqlSafe(lower)).execute(&mut *shop.raw().await).await.unwrap();
        audit::clean(&shop).await;
    });
}

/// More weight than 2^63 eighths of a nanogram: 1153 tonnes.
#[test]
fn reports_hold_more_weight_than_a_day() {
    on_each(|shop| async move {
        shop.ok(add(vec![by_kilogram("wool", "1000000", 1)])).await;
        let line = || goods("wool", "1000");
        let tonnes = |n: i64| sale((0..n).map(|_| line()).collect(), card(n * 1000));
        for _ in 0..4 {
            shop.ok(tonnes(200)).await;
            shop.ok(tonnes(200)).await;
            assert!(500 * line_mass() == i128::from(MAX_DAY_MASS));
            let today = shop.ledger.shop().zone.day_of(shop.ledger.now());
            let full = BooksReason::DayFull { channel: Channel::store(), day: today };
            shop.refuses(tonnes(200), invalid("lines", full)).await;
            shop.ok(AdjustUp(400).command()).await;
            shop.clock.advance_millis(DAY_MS);
        }
        // 1600 t of 35273.96194958 oz each (1 oz = 28.349523125 g).
        let (gross, ounces, _) = books(&shop).await;
        assert_eq!((gross, ounces.as_str()), (1_600_000, "56438339.12"));
        audit::clean(&shop).await;
    });
}

fn line_mass() -> i128 {
    i128::from(domain::quantity::MAX_LINE_MASS)
}

/// Additional stock, in tonnes.
struct AdjustUp(i64);

impl AdjustUp {
    fn command(&self) -> ledger::shelf::AdjustStock {
        ledger::shelf::AdjustStock {
            code: code("wool"),
            what: ledger::shelf::Counted::More(asked(&format!("{}", self.0 * 1000))),
            note: "shorn".to_owned(),
            who: "maker".to_owned(),
        }
    }
}

#[test]
fn a_drawer_holds_so_much_and_says_so() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("dear", "1000", MAX_AMOUNT), counted("c1", "100", 100)])).await;
        let who = || "Ada".to_owned();
        let turn = shop.ok(OpenDrawer { channel: Channel::store(), counts: Vec::new(), who: who() }).await;
        let dear = || sale(vec![goods("dear", "1")], cash(MAX_AMOUNT));
        let takes = MAX_DRAWER / MAX_AMOUNT;
        let mut sold = None;
        for _ in 0..takes {
            sold = Some(shop.ok(dear()).await);
        }
        let full = || invalid("amount", SalesReason::DrawerFull);
        shop.refuses(sale_of("c1", 100), full()).await;
        let in_again = |amount| PutIn { turn, amount: usd(amount), reason: "change".to_owned(), who: who() };
        shop.refuses(in_again(1), full()).await;
        shop.refuses(in_again(MAX_AMOUNT + 1), amount_too_large()).await;
        // Other tenders still work, and a payout makes room.
        shop.ok(sale(vec![goods("c1", "1")], card(100))).await;
        shop.ok(TakeOut { turn, amount: usd(100), reason: "bank".to_owned(), who: who() }).await;
        shop.ok(sale_of("c1", 100)).await;
        let sold = sold.unwrap();
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        shop.ok(sale_of("c1", 100)).await;
        audit::clean(&shop).await;
    });
}

/// A slip shows its lines, whatever they add up to, so that one can be removed again.
#[test]
fn a_slip_beyond_the_limit_is_shown_and_not_paid() {
    on_each(|shop| async move {
        shop.ok(add(vec![counted("dear", "1000", MAX_AMOUNT)])).await;
        let who = "Ada".to_owned();
        let basket = shop.ok(ledger::sales::OpenBasket { channel: Channel::store(), first: None, who }).await;
        let change = |change| ledger::sales::ChangeBasket { basket, revision: None, change };
        let lay = |quantity: &str| {
            change(ledger::sales::BasketChange::Add { code: code("dear"), quantity: Some(asked(quantity)) })
        };
        shop.refuses(lay("1000001"), line_too_large()).await;
        let line = shop.ok(lay("900")).await.line.unwrap();
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!(view.due, usd(900 * MAX_AMOUNT));
        let off = domain::discount::Off::parse("10 %", domain::money::Currency::USD).unwrap();
        let discount =
            ledger::sales::BasketChange::Discount { off: Some(off), reason: "market day".to_owned() };
        shop.ok(change(discount)).await;
        let view = shop.ledger.basket(basket).await.unwrap();
        assert_eq!(view.due, usd(810 * MAX_AMOUNT));
        let hold = ledger::sales::HoldBasket {
            basket,
            revision: view.revision,
            without: Vec::new(),
            who: "Ada".to_owned(),
        };
        shop.refuses(hold, amount_too_large()).await;
        shop.ok(change(ledger::sales::BasketChange::Remove { line })).await;
        assert_eq!(shop.ledger.basket(basket).await.unwrap().due, usd(0));
    });
}
