//! Ringing up, and later payments.

use crate::audit;
use crate::expected::*;
use crate::harness::{DAY_MS, HOUR_MS, START, on_each};
use crate::make::*;
use domain::basket::{LineKind, MAX_LINES, MAX_TENDERS, TenderKind};
use domain::day::{Day, Moment};
use domain::ids::{HoldGroupId, SaleId, TenderId};
use domain::item::TextField;
use domain::stock::ReturnDisposition;
use ledger::books::{BooksBy, BooksQuery};
use ledger::keeping::SetShop;
use ledger::orders::EndHold;
use ledger::sales::{NewSale, Pay, SaleLineIn, TenderIn, VoidSale};
use ledger::shelf::{BASKET_MS, CostChange, EditItem, PriceChange, Purpose};
use testkit::make::certificate;

pub(crate) fn owed(amount: i64) -> TenderIn {
    TenderIn {
        customer: "Ada".to_owned(),
        due: Some(Day::parse("2026-06-17").unwrap()),
        ..tender(TenderKind::OnAccount, amount)
    }
}

fn gift_note(amount: i64) -> SaleLineIn {
    let (kind, title) = (LineKind::GiftCertificate, "Gift certificate".to_owned());
    SaleLineIn::Paper { kind, title, amount: usd(amount), certificate: Some(certificate(1)) }
}

/// A large sale is written in several trips to the engine, a small one in two. Either is whole: the second, of
/// which the last piece is gone, leaves nothing.
#[test]
fn a_sale_of_many_lines_is_booked_whole() {
    const LINES: usize = 120;
    on_each(|shop| async move {
        let skus: Vec<String> = (0..=LINES).map(|n| format!("p{n}")).collect();
        shop.ok(add(skus.iter().map(|sku| piece(sku, 100)).collect())).await;
        let lines = |skus: &[String]| skus.iter().map(|sku| goods(sku, "1")).collect::<Vec<_>>();
        let sold = shop.ok(sale(lines(&skus[..LINES]), card(12_000))).await;
        assert_eq!((sold.lines.len(), sold.totals.due), (LINES, usd(12_000)));
        assert_eq!(shop.number("SELECT COUNT(*) FROM sale_line").await, 120);
        assert_eq!(shop.number("SELECT COUNT(*) FROM stock_entry WHERE reason = 'sold'").await, 120);
        let before = audit::fingerprint(&shop).await;
        let again = [&skus[LINES..], &skus[..30]].concat();
        shop.refused(sale(lines(&again), card(3_100))).await;
        assert_eq!(audit::fingerprint(&shop).await, before);
        audit::clean(&shop).await;
    });
}

/// A sale's figures in minor units: due, rounding, discounts, change.
#[test]
fn sales_add_up() {
    on_each(|shop| async move {
        shop.ok(SetShop {
            key: "cash_rounding".to_owned(),
            value: "5 up".to_owned(),
            who: "owner".to_owned(),
        })
        .await;
        let mut stock =
            vec![counted("c1", "500", 333), counted("c2", "500", 1013), by_ounce("w1", "500", 350)];
        stock.extend((1..=4).map(|n| piece(&format!("p{n}"), 4500)));
        shop.ok(add(stock)).await;
        let three = || vec![goods("c1", "1"), goods("c2", "1"), goods("w1", "2")];
        let mixed = vec![
            tender(TenderKind::Card, 3000),
            tender(TenderKind::Other, 500),
            tender(TenderKind::Cash, 1500),
        ];
        let with = |sale: NewSale, discount, shipping| NewSale {
            discount: usd(discount),
            shipping: usd(shipping),
            ..sale
        };
        let checks: Vec<(NewSale, [i64; 4])> = vec![
            (sale_of("p1", 4500), [4500, 0, 0, 0]),
            (sale(vec![goods("c1", "3")], cash(1000)), [1000, 1, 0, 0]),
            (sale(vec![goods("c1", "1")], cash(500)), [335, 2, 0, 165]),
            (sale(vec![goods("c1", "1")], card(333)), [333, 0, 0, 0]),
            // 3.33 + 10.13 + 7.00 = 20.46; only the cash part is rounded: 0.46 to 0.45.
            (
                sale(three(), vec![tender(TenderKind::Card, 2000), tender(TenderKind::Cash, 50)]),
                [2045, -1, 0, 5],
            ),
            // A pound of goods stocked by the ounce at 3.50: 16 oz.
            (sale(vec![goods("w1", "1 LBR")], card(5600)), [5600, 0, 0, 0]),
            // 100 g / 28.349523125 g an ounce = 3.527 oz x 3.50 = 12.3445.
            (sale(vec![goods("w1", "100 GRM")], card(1234)), [1234, 0, 0, 0]),
            (sale(vec![less("c2", "1", 13, 80)], card(1080)), [1080, 0, 13, 0]),
            (with(sale(three(), card(1546)), 500, 0), [1546, 0, 500, 0]),
            (with(sale(three(), card(2541)), 0, 495), [2541, 0, 0, 0]),
            (sale(vec![less("p3", "1", 4500, 0)], vec![]), [0, 0, 4500, 0]),
            (sale(vec![gift_note(2500)], cash(3000)), [2500, 0, 0, 500]),
            (sale(vec![goods("c1", "1"), goods("c1", "2")], card(999)), [999, 0, 0, 0]),
        ];
        for ((command, expected), receipt) in checks.into_iter().zip(1..) {
            let sold = shop.ok(command.clone()).await;
            let t = sold.totals;
            let found = [t.due, t.rounding, t.discounts, t.change].map(domain::money::Money::minor);
            assert_eq!((sold.receipt, found), (receipt, expected), "{command:?}");
        }
        // 55.13 is due: 30.00 + 5.00 are paid, and 20.15 of it is to be paid in cash.
        let short = sale(vec![goods("p2", "1"), goods("c2", "1")], mixed);
        shop.refuses(
            short,
            invalid(
                "tenders",
                BasketError::Underpaid { due: usd(5515), tendered: usd(5000), missing: usd(515) },
            ),
        )
        .await;
        audit::clean(&shop).await;
    });
}

#[test]
fn discounts_are_spread_without_losing_a_cent() {
    on_each(|shop| async move {
        let stock = (1..=6).map(|n| counted(&format!("c{n}"), "100", 100 * n + 1)).collect();
        shop.ok(add(stock)).await;
        for discount in [1, 5, 99, 1000, 2105] {
            let lines = (1..=6).map(|n| goods(&format!("c{n}"), "1")).collect();
            let sold =
                shop.ok(NewSale { discount: usd(discount), ..sale(lines, card(2106 - discount)) }).await;
            let spread: i64 = sold.lines.iter().map(|l| l.money.discount.minor()).sum();
            assert_eq!(spread, discount);
            assert!(sold.lines.iter().all(|l| l.money.discount.minor() <= l.money.amount.minor()));
        }
        audit::clean(&shop).await;
    });
}

/// Sales that the shop of [`a_wrong_sale_is_refused_and_leaves_nothing`] refuses, and with which text.
fn wrong_payments() -> Vec<(NewSale, Expected)> {
    let no_name = TenderIn { customer: String::new(), ..owed(4500) };
    let due_card =
        TenderIn { due: Some(Day::parse("2026-06-17").unwrap()), ..tender(TenderKind::Card, 4500) };
    let by = |tenders: Vec<TenderIn>| sale(vec![goods("p1", "1")], tenders);
    let coins = (0..=MAX_TENDERS).map(|_| tender(TenderKind::Cash, 1)).collect();
    vec![
        (
            sale_of("p1", 4499),
            invalid(
                "tenders",
                BasketError::Underpaid { due: usd(4500), tendered: usd(4499), missing: usd(1) },
            ),
        ),
        (
            by(vec![]),
            invalid(
                "tenders",
                BasketError::Underpaid { due: usd(4500), tendered: usd(0), missing: usd(4500) },
            ),
        ),
        (by(card(4501)), invalid("tenders", BasketError::Overpaid { due: usd(4500), tendered: usd(4501) })),
        (
            by(vec![tender(TenderKind::Card, 4600), tender(TenderKind::Cash, 100)]),
            invalid("tenders", BasketError::Overpaid { due: usd(4500), tendered: usd(4600) }),
        ),
        (
            by(vec![tender(TenderKind::Cash, -1)]),
            invalid("tenders", BasketError::Negative { what: Amount::Payment }),
        ),
        (by(vec![no_name]), invalid("tenders", SalesReason::AccountIncomplete)),
        (by(vec![due_card]), invalid("tenders.due", SalesReason::DueWithoutAccount)),
        (by(coins), invalid("tenders", BasketError::TooManyTenders)),
    ]
}

/// The same for their lines.
fn wrong_lines(in_store: &str) -> Vec<(NewSale, Expected)> {
    let one = |line: SaleLineIn| sale(vec![line], cash(4500));
    let many = (0..=MAX_LINES).map(|_| goods("c1", "1")).collect();
    vec![
        (sale_of("p9", 100), unknown_code("p9")),
        (sale_of("2000000000016", 100), wrong_digit(5)),
        (sale(vec![], cash(0)), invalid("lines", BasketError::NoLines)),
        (sale(many, cash(0)), invalid("lines", BasketError::TooManyLines)),
        (sale(vec![goods("p1", "2")], cash(9000)), not_enough(2, 1)),
        (one(goods("p1", "0")), invalid("lines.0.quantity", QuantityError::NotPositive)),
        (one(goods("p1", "0.5")), invalid("lines.0.quantity", QuantityError::NotWhole { value: dec("0.5") })),
        (
            one(goods("p1", "1 LBR")),
            invalid("lines.0.quantity", QuantityError::NotWeighed { unit: WeightUnit::Pound }),
        ),
        (
            one(goods("w1", "0.0001")),
            invalid("lines.0.quantity", QuantityError::TooFine { value: dec("0.0001") }),
        ),
        (sale(vec![goods("w1", "1 LBR")], card(5600)), not_enough(16000, 2000)),
        (
            one(less("p1", "1", 4501, 0)),
            invalid("lines", BasketError::DiscountTooLarge { discount: usd(4501), amount: usd(4500) }),
        ),
        (one(less("p1", "1", -1, 0)), invalid("lines", BasketError::Negative { what: Amount::Discount })),
        (one(less("p1", "1", 0, -1)), invalid("lines", BasketError::Negative { what: Amount::Tax })),
        (
            sale(vec![goods("p1", "1"), goods(in_store, "1")], cash(9000)),
            invalid("lines", SalesReason::PieceTwice { title: "Item p1".to_owned(), sku: "p1".to_owned() }),
        ),
        (one(gift_note(0)), invalid("lines", SalesReason::CertificateOfNothing)),
        (
            one(SaleLineIn::Paper {
                kind: LineKind::Goods,
                title: "x".to_owned(),
                amount: usd(5),
                certificate: None,
            }),
            invalid("lines", SalesReason::CertificateOfNothing),
        ),
    ]
}

/// The same for what is of the whole sale.
fn wrong_wholes() -> Vec<(NewSale, Expected)> {
    let euros = SaleLineIn::Paper {
        kind: LineKind::GiftCertificate,
        title: "Note".to_owned(),
        amount: eur(5),
        certificate: Some(certificate(2)),
    };
    let euro = vec![TenderIn::plain(TenderKind::Cash, eur(5))];
    let foreign = ShopReason::OtherCurrency { given: currency("EUR"), own: currency("USD") };
    let moment = |error| invalid("at", Reason::Moment { error, zone: Zone::utc() });
    vec![
        (
            NewSale { shipping: eur(0), ..sale(vec![euros.clone()], euro.clone()) },
            invalid("shipping", foreign),
        ),
        // A line without an item in another currency, whatever the rest says.
        (
            sale(vec![euros], euro),
            invalid(
                "lines",
                BasketError::Money(MoneyError::MixedCurrencies {
                    left: currency("EUR"),
                    right: currency("USD"),
                }),
            ),
        ),
        (
            NewSale { discount: usd(1), ..sale(vec![gift_note(100)], cash(99)) },
            invalid("discount", SalesReason::CertificateInDiscount),
        ),
        (NewSale { shipping: usd(-1), ..sale_of("p1", 4500) }, invalid("shipping", ShopReason::Negative)),
        (
            NewSale { discount: usd(4501), ..sale_of("p1", 0) },
            invalid("lines", BasketError::DiscountTooLarge { discount: usd(4501), amount: usd(4500) }),
        ),
        (
            NewSale { channel: channel("moon"), ..sale_of("p1", 4500) },
            invalid("channel", ShopReason::UnknownChannel { channel: channel("moon") }),
        ),
        (
            NewSale { note: "a\u{7}".to_owned(), ..sale_of("p1", 4500) },
            invalid("note", TextError::NotPrintable { code: 7 }),
        ),
        (
            NewSale { who: "4000000000000002".to_owned(), ..sale_of("p1", 4500) },
            invalid("who", TextError::CardNumber),
        ),
        (
            at(START.plus_millis(DAY_MS + 1)),
            moment(DayError::TooFarAhead { when: START.plus_millis(DAY_MS + 1) }),
        ),
        (at(Moment::from_millis(-1)), moment(DayError::TooEarly { when: Moment::from_millis(-1) })),
        (with_hold(sale_of("p1", 4500), HoldGroupId::from_raw(9)), no_such(Thing::Hold, 9)),
    ]
}

fn at(moment: Moment) -> NewSale {
    NewSale { at: Some(moment), ..sale_of("p1", 4500) }
}

#[test]
fn a_wrong_sale_is_refused_and_leaves_nothing() {
    on_each(|shop| async move {
        shop.ok(add(vec![
            piece("p1", 4500),
            piece("p2", 100),
            counted("c1", "5", 100),
            by_ounce("w1", "2", 350),
        ]))
        .await;
        let p1 = shop.ledger.item(&code("p1")).await.unwrap();
        for (command, expected) in
            [wrong_payments(), wrong_lines(&p1.in_store), wrong_wholes()].into_iter().flatten()
        {
            shop.refuses(command, expected).await;
        }
        audit::clean(&shop).await;
        shop.ok(at(START.plus_millis(DAY_MS))).await;
    });
}

#[test]
fn a_sale_takes_exactly_what_its_basket_holds() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), piece("p3", 100), counted("c1", "5", 100)]))
            .await;
        let held = shop.ok(basket(&[("p1", "1"), ("c1", "5")])).await;
        let all = |hold| with_hold(sale(vec![goods("p1", "1"), goods("c1", "5")], cash(600)), hold);
        let wrong = [
            sale(vec![goods("p1", "1")], cash(100)),
            sale(vec![goods("p1", "1"), goods("c1", "4")], cash(500)),
            sale(vec![goods("p1", "1"), goods("c1", "5"), goods("p2", "1")], cash(700)),
            sale(vec![goods("p2", "1"), goods("c1", "5")], cash(600)),
        ];
        for command in wrong {
            shop.refuses(with_hold(command, held.id), invalid("hold", SalesReason::HoldDiffers)).await;
        }
        shop.refuses(sale(vec![goods("c1", "1")], cash(100)), on_hold(HeldFor::Sale)).await;
        shop.ok(all(held.id)).await;
        shop.refuses(all(held.id), hold_over("taken")).await;
        let ended = shop.ok(basket(&[("p2", "1")])).await;
        shop.ok(EndHold { id: ended.id }).await;
        shop.refuses(with_hold(sale_of("p2", 100), ended.id), hold_over("ended")).await;
        audit::clean(&shop).await;
    });
}

/// An expired hold is renewed if possible, whoever ended which of its rows.
#[test]
fn a_basket_that_ran_out_is_taken_again_or_refused_in_words() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 100), piece("p2", 100), counted("c1", "5", 100)])).await;
        let lines = [("p1", "1"), ("c1", "2")];
        let both = |hold| with_hold(sale(vec![goods("p1", "1"), goods("c1", "2")], cash(300)), hold);
        let swept = shop.ok(basket(&lines)).await;
        shop.clock.advance_millis(BASKET_MS);
        shop.ok(ledger::shelf::SweepHolds).await;
        shop.refuses(with_hold(sale_of("p1", 100), swept.id), invalid("hold", SalesReason::HoldDiffers))
            .await;
        let sold = shop.ok(both(swept.id)).await;
        shop.refuses(both(swept.id), hold_over("taken")).await;
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        // Not swept, and nobody else came.
        let late = shop.ok(basket(&lines)).await;
        shop.clock.advance_millis(BASKET_MS + HOUR_MS);
        let sold = shop.ok(both(late.id)).await;
        shop.ok(whole(sold.id, ReturnDisposition::Shelf)).await;
        // Another sale ended only the row of the counted goods, and left enough.
        let parted = shop.ok(basket(&lines)).await;
        shop.clock.advance_millis(BASKET_MS);
        shop.ok(hold(&[("c1", "4")], Purpose::Customer, None)).await;
        shop.refuses(both(parted.id), on_hold_for("Ada")).await;
        // Somebody bought the piece: the slip says so.
        shop.ok(sale_of("p1", 100)).await;
        shop.refuses(both(parted.id), already_sold("store", 3)).await;
        audit::clean(&shop).await;
    });
}

/// Law 6: a sale keeps its own copy.
#[test]
fn a_sale_keeps_its_own_copy() {
    on_each(|shop| async move {
        let mut hat = piece("p1", 4500);
        hat.pricing.cost = Some(usd(1200));
        shop.ok(add(vec![hat])).await;
        let sold = shop.ok(sale_of("p1", 5000)).await;
        let before = shop.ledger.sale(sold.id).await.unwrap();
        shop.ok(EditItem {
            text: to([(TextField::Name, "Another name")]),
            price: Some(PriceChange::Hand(usd(1))),
            cost: Some(CostChange::Is(usd(9))),
            ..edit("p1")
        })
        .await;
        let after = shop.ledger.sale(sold.id).await.unwrap();
        assert_eq!(before, after);
        assert_eq!((after.lines[0].line.title.as_str(), after.lines[0].line.price), ("Item p1", usd(4500)));
        assert_eq!(shop.ledger.sale_by_receipt(1).await.unwrap(), after);
        assert_eq!(shop.ledger.sales(None, 10).await.unwrap(), vec![after]);
        let lost = shop.ledger.sale(SaleId::from_raw(5)).await.unwrap_err();
        no_such(Thing::Sale, 5).check(lost.rejection().unwrap(), shop.engine);
        audit::clean(&shop).await;
    });
}

#[test]
fn what_is_owed_is_paid_in_parts() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500), piece("p2", 1000)])).await;
        let sold =
            shop.ok(sale(vec![goods("p1", "1")], vec![tender(TenderKind::Card, 500), owed(4000)])).await;
        let debt = shop.ledger.sale(sold.id).await.unwrap().tenders[1].id;
        let pay = |tender: TenderId, kind, amount| Pay {
            tender,
            kind,
            amount: usd(amount),
            certificate: None,
            who: String::new(),
        };
        assert_eq!(shop.ok(pay(debt, TenderKind::Cash, 1500)).await.left, usd(2500));
        for (command, expected) in [
            (
                pay(debt, TenderKind::Cash, 2501),
                invalid("amount", SalesReason::OverBalance { balance: usd(2500), given: usd(2501) }),
            ),
            (pay(debt, TenderKind::Cash, 0), invalid("amount", SalesReason::NotAPayment)),
            (pay(debt, TenderKind::OnAccount, 5), invalid("amount", SalesReason::NotAPayment)),
            (pay(TenderId::from_raw(3), TenderKind::Cash, 5), no_such(Thing::OpenBalance, 3)),
            (
                Pay { amount: eur(5), ..pay(debt, TenderKind::Cash, 5) },
                invalid("amount", ShopReason::OtherCurrency { given: currency("EUR"), own: currency("USD") }),
            ),
        ] {
            shop.refuses(command, expected).await;
        }
        let void = |sale| VoidSale { sale, reason: String::new(), who: String::new() };
        shop.refuses(void(sold.id), not_voidable(NotVoidable::Settled)).await;
        assert_eq!(shop.ok(pay(debt, TenderKind::Check, 2500)).await.left, usd(0));
        shop.refuses(
            pay(debt, TenderKind::Cash, 1),
            invalid("amount", SalesReason::OverBalance { balance: usd(0), given: usd(1) }),
        )
        .await;
        let undone = shop.ok(sale(vec![goods("p2", "1")], vec![owed(1000)])).await;
        let debt = shop.ledger.sale(undone.id).await.unwrap().tenders[0].id;
        shop.ok(void(undone.id)).await;
        shop.refuses(pay(debt, TenderKind::Cash, 100), invalid("tender", SalesReason::BalanceVoided)).await;
        audit::clean(&shop).await;
    });
}

/// A sold gift certificate is not revenue; spending it is a tender.
#[test]
fn a_gift_note_is_not_in_gross() {
    on_each(|shop| async move {
        shop.ok(add(vec![piece("p1", 4500), piece("p2", 4500)])).await;
        shop.ok(sale(vec![goods("p1", "1"), gift_note(2000)], cash(6500))).await;
        let held = shop.ok(hold(&[("p2", "1")], Purpose::Customer, None)).await.id;
        let deposit = SaleLineIn::Deposit {
            of: domain::account::DepositFor::Hold(held),
            title: "Deposit".to_owned(),
            amount: usd(700),
        };
        shop.ok(sale(vec![deposit], card(700))).await;
        let query = BooksQuery { from: None, to: None, by: BooksBy::default() };
        let figures = shop.ledger.books(&query).await.unwrap()[0].figures;
        assert_eq!((figures.sales, figures.units, figures.gross), (2, 1, usd(4500)));
        assert_eq!((figures.net().unwrap(), figures.uncosted), (usd(4500), 1));
        audit::clean(&shop).await;
    });
}

/// Figures calculated by hand: 3.1% of 50.00 is 1.55, and 0.25 per sale; 2.5% of 12.50 is 0.3125.
#[test]
fn a_channels_fee_is_booked_with_each_sale_there() {
    on_each(|shop| async move {
        for (key, value) in [("fee.market", "3.1% + 0.25"), ("fee.wholesale", "2.5%")] {
            shop.ok(SetShop { key: key.to_owned(), value: value.to_owned(), who: "owner".to_owned() }).await;
        }
        shop.ok(add(vec![counted("c1", "9", 1000)])).await;
        let fees = async || {
            let by = ledger::books::BooksBy { channel: true, ..ledger::books::BooksBy::default() };
            let rows =
                shop.ledger.books(&ledger::books::BooksQuery { from: None, to: None, by }).await.unwrap();
            let told = |r: &ledger::books::BooksRow| {
                format!("{} {}", r.channel.as_ref().unwrap(), r.figures.fees.minor())
            };
            rows.iter().map(told).collect::<Vec<_>>()
        };
        let at = async |where_: &str, tax: i64, shipping: i64, quantity: &str, due: i64| {
            let lines = vec![less("c1", quantity, 0, tax)];
            let new = NewSale { channel: channel(where_), shipping: usd(shipping), ..sale(lines, card(due)) };
            shop.ok(new).await
        };
        at("store", 0, 0, "1", 1000).await;
        let rung_up = at("market", 500, 500, "4", 5000).await;
        at("wholesale", 0, 250, "1", 1250).await;
        assert_eq!(fees().await, ["market 180", "store 0", "wholesale 31"]);
        assert_eq!(shop.ledger.sale(rung_up.id).await.unwrap().fee, usd(180));
        // A fee that is set later does not change earlier sales, and a void cancels the sale's fee.
        shop.ok(SetShop { key: "fee.market".to_owned(), value: "50%".to_owned(), who: "owner".to_owned() })
            .await;
        shop.ok(VoidSale { sale: rung_up.id, reason: "slip".to_owned(), who: String::new() }).await;
        assert_eq!(fees().await, ["market 0", "store 0", "wholesale 31"]);
        audit::clean(&shop).await;
    });
}
