//! A shop in which something of every kind has happened, so that every table has rows.

use crate::full_orders;
use domain::account::DepositFor;
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::codes::Gtin;
use domain::customer::{BasisPoints, Contact, Exemption, Terms};
use domain::day::Day;
use domain::ids::SessionId;
use domain::item::{ItemPricing, ItemText};
use domain::limits::{AboveLimit, LimitName};
use domain::money::{Currency, Money};
use domain::people::Role;
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::stock::{ItemKind, ReturnDisposition, StockReason};
use domain::weight::{Weight, WeightUnit};
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use ledger::customers::{AddCustomer, SetTerms};
use ledger::keeping::{CheckReport, EraseCustomer, Finding, SetShop};
use ledger::people::{
    AddPerson, AddToken, Approve, By, EnrolDevice, LimitsOf, Phc, SecretHash, SetLimits, TryOf,
};
use ledger::sales::{
    BasketChange, ChangeBasket, CloseDrawer, DecideReturn, LeaveBasket, MakeOrderedPiece, NewCustomOrder,
    NewRefund, NewSale, OpenBasket, OpenDrawer, Pay, PutIn, RefundLine, RefundOf, RefundTender, SaleDone,
    SaleLineIn, TenderIn, VoidSale,
};
use ledger::shelf::{
    AddItems, AddStyles, AdjustStock, BeginStockCount, Counted, DropStockCount, FinishPieces, HoldLine,
    KeepPictures, KeepTags, NewHold, NewItem, NewPiece, NewStyle, Picture, PictureName, PieceOutcome,
    Progress, Purpose, ScanStockCount, TagPrinted,
};
use ledger::{Command, Key, Ledger};
use testkit::make::{self, asked, usd};
pub(crate) use testkit::make::{code, with};
use testkit::{START, TestShop};

const ZERO: Money = Money::zero(Currency::USD);

pub(crate) async fn run<C: Command>(ledger: &Ledger, command: C) -> C::Answer {
    ledger.execute(None, &command).await.unwrap().answer
}

pub(crate) fn item(kind: ItemKind, sku: &str, price: &str, quantity: &str) -> NewItem {
    let text = ItemText {
        name: format!("Thing {sku}"),
        color: "grey|moss".to_owned(),
        description: "“Two\nlines”, \\ and \u{1F411}".to_owned(),
        ..ItemText::default()
    };
    with(make::item(kind, sku), |i| {
        i.text = text;
        i.pricing.price = Some(usd(price));
        i.pricing.cost = Some(usd("4.00"));
        i.stock.quantity = Some(asked(quantity));
        i.stock.stock_unit = (kind == ItemKind::Weight).then_some(WeightUnit::Ounce);
    })
}

fn goods(sku: &str, quantity: &str) -> SaleLineIn {
    SaleLineIn::Goods { code: code(sku), quantity: asked(quantity), discount: ZERO, tax: ZERO }
}

pub(crate) fn sale(lines: Vec<SaleLineIn>, tender: TenderIn) -> NewSale {
    NewSale {
        channel: Channel::store(),
        lines,
        discount: ZERO,
        shipping: ZERO,
        tenders: vec![tender],
        customer: None,
        is_granted: false,
        hold: None,
        at: None,
        note: String::new(),
        who: "counter".to_owned(),
    }
}

/// One kit for cash, for a shop that goes on selling.
pub(crate) fn one_kit() -> NewSale {
    sale(vec![goods("KIT", "1")], TenderIn::plain(TenderKind::Cash, usd("12.00")))
}

pub(crate) async fn clean(ledger: &Ledger) {
    let report = ledger.check(|_| ()).await.unwrap();
    assert!(report.is_clean(), "{}", told(&report).join("\n"));
}

/// This many counted items, one of each in stock.
pub(crate) async fn many_kits(ledger: &Ledger, count: usize) {
    let items = (0..count).map(|n| item(ItemKind::Counted, &format!("K{n}"), "2.00", "1")).collect();
    run(ledger, AddItems { items, who: "maker".to_owned(), progress: None }).await;
}

/// The findings, short and without identifiers: `2 item # (KIT) made: 100 → 101`.
pub(crate) fn told(report: &CheckReport) -> Vec<String> {
    let short = |f: &Finding| {
        let law = f.law.number().map_or_else(|| "-".to_owned(), |number| number.to_string());
        let field =
            f.what.rsplit_once(" (").map_or(f.what.as_str(), |(_, field)| field.trim_end_matches(')'));
        without_ids(&format!("{law} {} {field}: {} → {}", f.place, f.expected, f.found))
    };
    let more = report.more.iter().map(|(law, more)| format!("{law}: {more} more"));
    report.findings.iter().map(short).chain(more).collect()
}

/// Only identifiers have more than 14 digits.
pub(crate) fn without_ids(text: &str) -> String {
    let mut out = String::new();
    let mut digits = String::new();
    for letter in text.chars().chain(['\0']) {
        if letter.is_ascii_digit() {
            digits.push(letter);
            continue;
        }
        out.push_str(if digits.len() > 14 { "#" } else { &digits });
        digits.clear();
        out.push(letter);
    }
    out.trim_end_matches('\0').to_owned()
}

pub(crate) async fn books(ledger: &Ledger) -> Vec<BooksRow> {
    let by = BooksBy { day: true, month: true, channel: true };
    ledger.books(&BooksQuery { from: None, to: None, by }).await.unwrap()
}

/// Makes everything happen, and expects a clean shop.
pub(crate) async fn fill(shop: &TestShop) {
    let ledger = &shop.ledger;
    for (key, value) in [("name", "Fold End"), ("zone", "America/New_York"), ("channel.fair", "Wool fair")] {
        run(ledger, SetShop { key: key.to_owned(), value: value.to_owned(), who: "owner".to_owned() }).await;
    }
    let_in(ledger).await;
    stock_up(ledger).await;
    finish(ledger).await;
    shop.clock.advance_millis(60_000);
    at_the_counter(ledger).await;
    let first = sell(ledger).await;
    give_back(ledger, &first).await;
    owe_and_void(ledger).await;
    shop.clock.advance_millis(60_000);
    customers(ledger).await;
    hold(ledger).await;
    full_orders::orders(ledger).await;
    full_orders::list(ledger).await;
    full_orders::decide(ledger).await;
    full_orders::keep_online(ledger).await;
    crate::full_live::connect(ledger).await;
    let less = Counted::Less(asked("1"), StockReason::Gift);
    let gift =
        AdjustStock { code: code("KIT"), what: less, note: "raffle".to_owned(), who: "maker".to_owned() };
    run(ledger, gift).await;
    count(ledger).await;
    shop.clock.advance_millis(60_000);
    clean(ledger).await;
}

/// A piece with its work (rows and minutes) and a photograph.
async fn finish(ledger: &Ledger) {
    let name = PictureName::parse(&"ab".repeat(32)).unwrap();
    let picture = Picture { name: name.clone(), width: 1600, height: 1200, bytes: 250_000, lightness: 61 };
    run(ledger, KeepPictures { pictures: vec![picture], who: "maker".to_owned() }).await;
    let piece = NewPiece {
        text: ItemText {
            name: "Ridge beanie, fawn".to_owned(),
            color: "fawn".to_owned(),
            size: "L".to_owned(),
            material: "alpaca".to_owned(),
            brand: "Larkfell".to_owned(),
            ..ItemText::default()
        },
        pricing: ItemPricing {
            style: Some("Ridge beanie".to_owned()),
            weight: Some(Weight::parse("6.35", WeightUnit::Ounce).unwrap()),
            price: Some(usd("39.00")),
            cost: Some(usd("20.00")),
            ..ItemPricing::none(Currency::USD)
        },
        price_reason: "a dropped stitch".to_owned(),
        photographs: vec![name],
        rows: Some(96),
        minutes: Some(52),
        note: "needles 4 mm".to_owned(),
    };
    let pieces = run(ledger, FinishPieces { pieces: vec![piece], who: "maker".to_owned() }).await;
    assert!(matches!(pieces.as_slice(), [PieceOutcome::Finished(_)]), "{pieces:?}");
}

/// An owner, a device, a token.
async fn let_in(ledger: &Ledger) {
    let who = || "owner".to_owned();
    let password = Phc::new("$argon2id$v=19$m=19456,t=2,p=1$c2FsdA$aGFzaA".to_owned()).unwrap();
    let name = "Maud".to_owned();
    let add = AddPerson { name, role: Role::Owner, password, pin: None, who: who() };
    let maud = run(ledger, add.clone()).await;
    let ned = run(ledger, AddPerson { name: "Ned".to_owned(), role: Role::Counter, ..add.clone() }).await;
    let above = AboveLimit { limit: LimitName::Discount, asked: "40".to_owned(), allowed: "25".to_owned() };
    let request_hash = Key::new("Ned POST /counter", "k", b"").unwrap().request_hash();
    let session = SessionId::from_raw(7);
    let tried = TryOf::approval(ned);
    let (asker, approver, by, checked) = (ned, maud, By::Password, add.password.clone());
    run(ledger, Approve { above, request_hash, session, asker, approver, by, checked, second: None, tried })
        .await;
    let (name, secret) = ("Counter tablet".to_owned(), SecretHash::of("device"));
    run(ledger, EnrolDevice { name, secret, who: who() }).await;
    let (jti, name, until) = ("j1".to_owned(), "Label printer".to_owned(), START.plus_millis(90_000_000));
    run(ledger, AddToken { jti, name, role: Role::Maker, until, who: who() }).await;
    let values = vec![(LimitName::Discount, "20".to_owned())];
    run(ledger, SetLimits { of: LimitsOf::Role(Role::Counter), values, who: who() }).await;
}

async fn stock_up(ledger: &Ledger) {
    let rule = PriceRule {
        rate: WeightRate::parse("7.50", "ONZ").unwrap(),
        ending: PriceEnding::parse("whole", Currency::USD).unwrap(),
        minimum: Some(usd("20.00")),
    };
    let style = NewStyle {
        name: "Ridge beanie".to_owned(),
        rule,
        sizes: vec!["S".to_owned(), "L".to_owned()],
        category: "hats".to_owned(),
        care: "Hand wash cool. Dry flat.".to_owned(),
    };
    run(ledger, AddStyles { styles: vec![style], who: "maker".to_owned() }).await;
    // 952 is the prefix that GS1 keeps for demonstrations (gs1.org, list of company prefixes).
    let gtin = Some(Gtin::parse("9521234543213").unwrap());
    let weighed = Some(Weight::parse("6.35", WeightUnit::Ounce).unwrap());
    let by_weight = with(item(ItemKind::Piece, "P1", "1.00", "1"), |i| {
        i.pricing.style = Some("ridge beanie".to_owned());
        i.pricing.weight = weighed;
        i.pricing.price = None;
    });
    let items = vec![
        by_weight,
        NewItem { sku: None, gtin, ..item(ItemKind::Piece, "P2", "40.00", "1") },
        item(ItemKind::Piece, "P3", "40.00", "1"),
        item(ItemKind::Piece, "P4", "40.00", "1"),
        item(ItemKind::Piece, "P5", "40.00", "1"),
        item(ItemKind::Counted, "KIT", "12.00", "100"),
        item(ItemKind::Weight, "ROV", "3.00", "32"),
        item(ItemKind::Piece, "P1", "40.00", "1"),
    ];
    let progress = Progress {
        hash: "ab".repeat(32),
        feed: "items".to_owned(),
        file_name: "items.csv".to_owned(),
        rows_done: 8,
        again: false,
    };
    run(ledger, AddItems { items, who: "maker".to_owned(), progress: Some(progress) }).await;
    let tag = TagPrinted::of(&ledger.item(&code("P3")).await.unwrap()).unwrap();
    run(ledger, KeepTags { tags: vec![tag], who: "maker".to_owned() }).await;
}

/// A sale with everything that a sale can have, under a key.
async fn sell(ledger: &Ledger) -> SaleDone {
    let discounted = SaleLineIn::Goods {
        code: code("KIT"),
        quantity: asked("3"),
        discount: usd("1.00"),
        tax: usd("2.10"),
    };
    let note = SaleLineIn::Paper {
        kind: domain::basket::LineKind::GiftCertificate,
        title: "Gift note".to_owned(),
        amount: usd("25.00"),
        certificate: Some(testkit::make::certificate(1)),
    };
    let new = NewSale {
        shipping: usd("4.00"),
        note: "for the fair".to_owned(),
        ..sale(vec![goods("P1", "1"), discounted, note], TenderIn::plain(TenderKind::Cash, usd("120.00")))
    };
    let key = Key::new("counter POST /api/sales", "first", b"body").unwrap();
    ledger.execute(Some(&key), &new).await.unwrap().answer
}

async fn give_back(ledger: &Ledger, sold: &SaleDone) {
    let line = |at: usize, quantity: &str, fate| RefundLine {
        line: sold.lines[at].id,
        what: RefundOf::Goods(asked(quantity)),
        fate,
    };
    let new = |lines, shipping: &str| NewRefund {
        sale: sold.id,
        lines,
        fate: ReturnDisposition::Open,
        shipping: usd(shipping),
        tender: RefundTender::All(TenderKind::Cash),
        certificate: None,
        reason: "too small".to_owned(),
        who: "counter".to_owned(),
    };
    run(ledger, new(vec![line(1, "1", ReturnDisposition::Shelf)], "1.50")).await;
    let done = run(
        ledger,
        new(vec![line(1, "1", ReturnDisposition::Open), line(0, "1", ReturnDisposition::WrittenOff)], "0.00"),
    )
    .await;
    run(
        ledger,
        DecideReturn { line: done.lines[0].0, fate: ReturnDisposition::Shelf, who: "maker".to_owned() },
    )
    .await;
}

async fn owe_and_void(ledger: &Ledger) {
    let owed = TenderIn {
        kind: TenderKind::OnAccount,
        amount: usd("13.50"),
        customer: "Rowan Hill".to_owned(),
        on_file: None,
        due: Some(Day::from_number(20_260_715)),
        certificate: None,
        deposit: None,
    };
    let sold = run(ledger, sale(vec![goods("ROV", "4.5")], owed)).await;
    let view = ledger.sale(sold.id).await.unwrap();
    let pay = Pay {
        tender: view.tenders[0].id,
        kind: TenderKind::Check,
        amount: usd("5.00"),
        certificate: None,
        who: "counter".to_owned(),
    };
    run(ledger, pay).await;
    let card = TenderIn::plain(TenderKind::Card, usd("40.00"));
    let slip = run(ledger, sale(vec![goods("9521234543213", "1")], card)).await;
    run(ledger, VoidSale { sale: slip.id, reason: "wrong hat".to_owned(), who: "counter".to_owned() }).await;
}

/// A count of a style, canceled with one piece and an unknown code in it.
async fn count(ledger: &Ledger) {
    let style = Some(ledger.styles().await.unwrap()[0].id);
    let id = run(ledger, BeginStockCount { style, note: "spring".to_owned(), who: "maker".to_owned() }).await;
    for scanned in ["P5", "STRAY"] {
        let who = "maker".to_owned();
        run(ledger, ScanStockCount { id, code: code(scanned), quantity: None, is_all: false, who }).await;
    }
    run(ledger, DropStockCount { id, who: "maker".to_owned() }).await;
}

/// A drawer counted at opening and closing, with one entry by hand; a slip that was discarded.
async fn at_the_counter(ledger: &Ledger) {
    let channel = Channel::parse("fair").unwrap();
    let who = || "counter".to_owned();
    let counts = vec![(usd("20.00"), 2), (usd("0.25"), 4)];
    let turn = run(ledger, OpenDrawer { channel: channel.clone(), counts, who: who() }).await;
    let reason = "coins from the bank".to_owned();
    run(ledger, PutIn { turn, amount: usd("10.00"), reason, who: who() }).await;
    let counts = vec![(usd("50.00"), 1)];
    run(ledger, CloseDrawer { turn, counts, note: "a coin rolled away".to_owned(), who: who() }).await;
    let first = BasketChange::Add { code: code("KIT"), quantity: None };
    let basket = run(ledger, OpenBasket { channel, first: Some(first), who: who() }).await;
    run(ledger, LeaveBasket { basket }).await;
    // One that stays open, with a change that can be undone.
    let open = OpenBasket { channel: Channel::store(), first: None, who: who() };
    let basket = run(ledger, open).await;
    let change = BasketChange::Add { code: code("KIT"), quantity: None };
    run(ledger, ChangeBasket { basket, revision: None, change }).await;
}

/// Cleo Marsh has terms. Dan Sedge was erased, and his certificate has to be kept.
async fn customers(ledger: &Ledger) {
    let keep_until = Day::parse("2040-12-31").unwrap();
    for (name, certificate) in [("Cleo Marsh", "NY-3"), ("Dan Sedge", "NY-4")] {
        let email = format!("{}@example.org", name[..3].to_lowercase());
        let contact = Contact { name: name.to_owned(), email, ..Contact::default() };
        let customer = run(ledger, AddCustomer { contact, who: "counter".to_owned() }).await;
        let exemption = Some(Exemption { certificate: certificate.to_owned(), keep_until });
        let terms = Terms { wholesale: true, exemption, discount: BasisPoints::parse("12.5").ok() };
        run(ledger, SetTerms { customer, revision: 1, terms, who: "owner".to_owned() }).await;
        if name == "Dan Sedge" {
            run(ledger, EraseCustomer { customer, who: "owner".to_owned() }).await;
            continue;
        }
        let order = NewCustomOrder {
            customer: Some(customer),
            contact: Contact::default(),
            style: Some("Ridge beanie".to_owned()),
            size: "L".to_owned(),
            color: "fawn, moss".to_owned(),
            note: "for a long head".to_owned(),
            due: Day::parse("2026-07-15").unwrap(),
            estimate: Some(usd("55.00")),
            who: "counter".to_owned(),
        };
        run(ledger, order).await;
    }
}

/// A deposit for what is on hold, and one for Cleo Marsh's order, whose piece is made and collected with a part of it.
pub(crate) async fn promises(ledger: &Ledger) {
    let order = ledger.custom_orders(None, 1).await.unwrap().remove(0);
    let hold = ledger.open_holds(None, 9).await.unwrap();
    let hold = hold.into_iter().find(|hold| hold.for_whom == "Ash").unwrap();
    let paid =
        |of, amount: &str| SaleLineIn::Deposit { of, title: "Deposit".to_owned(), amount: usd(amount) };
    let lines = vec![paid(DepositFor::Hold(hold.id), "7.00")];
    run(ledger, sale(lines, TenderIn::plain(TenderKind::Card, usd("7.00")))).await;
    let lines = vec![paid(DepositFor::Order(order.id), "20.00")];
    let taken = run(ledger, sale(lines, TenderIn::plain(TenderKind::Card, usd("20.00")))).await;
    let deposit = ledger.deposits_in(taken.id).await.unwrap()[0].id;
    let piece = NewPiece {
        text: ItemText::default(),
        pricing: ItemPricing { price: Some(usd("15.00")), ..ItemPricing::none(Currency::USD) },
        price_reason: String::new(),
        photographs: Vec::new(),
        rows: None,
        minutes: None,
        note: String::new(),
    };
    let piece = NewPiece { text: ItemText { name: "Ordered hat".to_owned(), ..piece.text.clone() }, ..piece };
    let made = run(ledger, MakeOrderedPiece { order: order.id, piece, who: "maker".to_owned() }).await;
    let held = ledger.custom_order(order.id).await.unwrap().piece.and_then(|piece| piece.hold);
    let sold = sale(vec![goods(&made.item.sku, "1")], TenderIn::by_deposit(deposit, usd("15.00")));
    run(ledger, NewSale { customer: Some(order.customer), hold: held, ..sold }).await;
    clean(ledger).await;
}

async fn hold(ledger: &Ledger) {
    let lines = vec![HoldLine { code: code("P3"), quantity: asked("1") }];
    let new = NewHold {
        lines,
        purpose: Purpose::Customer,
        for_whom: "Ash".to_owned(),
        customer: None,
        until: None,
    };
    run(ledger, new).await;
}
