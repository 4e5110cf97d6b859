//! The ledger's rejections and failures as problems: one match for each, without a catch-all arm.

use super::{Kind, Problem, ProblemDocument, ProblemItem, SoldDocument};
use domain::limits::AboveLimit;
use domain::stock::StockReason;
use ledger::rejection::Refundable;
use ledger::{CommandError, Rejection, SoldAs, StorageError};

/// The text of a failure about which the caller learns nothing more.
const TROUBLE: &str = "the request failed. Try again with the same key, and check the program's log if it \
    happens again";
/// The same on a page.
const TROUBLE_ON_PAGE: &str = "this failed. Try again, and check the program's log if it happens again";
const AWAY_ON_PAGE: &str = "the shop's database cannot be used right now. Try again in a moment, and check the \
    program's log";
const AWAY: &str = "the shop's database cannot be used right now. Try again with the same key, and check the \
    program's log";

impl From<CommandError> for Problem {
    fn from(failure: CommandError) -> Self {
        match failure {
            CommandError::Rejected(rejection) => (*rejection).into(),
            CommandError::Storage(trouble) => trouble.into(),
        }
    }
}

impl From<StorageError> for Problem {
    fn from(trouble: StorageError) -> Self {
        let problem = match &trouble {
            // These texts reveal nothing of the inside.
            StorageError::Busy(_)
            | StorageError::Collided(_)
            | StorageError::SettingsChanged
            | StorageError::Undone
            | StorageError::OutcomeUnknown(_) => Self::new(Kind::Busy, trouble.to_string()),
            StorageError::Unreachable(_)
            | StorageError::ReadOnly(_)
            | StorageError::Full(_)
            | StorageError::NotWritable
            | StorageError::NoNode => Self::new(Kind::Away, AWAY).on_page(AWAY_ON_PAGE),
            StorageError::NoShop { .. }
            | StorageError::BadUrl { .. }
            | StorageError::NotAShop(_)
            | StorageError::Foreign { .. }
            | StorageError::Newer { .. }
            | StorageError::NeedsOwner
            | StorageError::OtherSchema { .. }
            | StorageError::Older(_)
            | StorageError::KeptAnswer(_)
            | StorageError::Impossible { .. }
            | StorageError::File { .. }
            | StorageError::Database(_) => Self::new(Kind::StorageError, TROUBLE).on_page(TROUBLE_ON_PAGE),
        };
        problem.because(&trouble)
    }
}

impl Problem {
    /// A panic; the caller learns no more of it than of any other failure.
    pub(crate) fn panicked(words: &str) -> Self {
        Self::new(Kind::StorageError, TROUBLE).on_page(TROUBLE_ON_PAGE).caused_by(format!("panic: {words}"))
    }

    /// The database does not answer.
    pub(crate) fn away(failure: &CommandError) -> Self {
        Self::new(Kind::Away, AWAY).on_page(AWAY_ON_PAGE).because(failure)
    }
}

impl From<Rejection> for Problem {
    fn from(rejection: Rejection) -> Self {
        if let Rejection::Invalid { field, reason } = &rejection {
            return Self::invalid(pointer_of(field), words::reason(reason));
        }
        let mut problem = Self::new(kind_of(&rejection), words::rejection(&rejection));
        if let Rejection::TooOften { seconds } = &rejection {
            problem = problem.wait(*seconds);
        }
        if let Some(words) = of_page(&rejection) {
            problem = problem.on_page(words);
        }
        fill(&mut problem.document, rejection);
        problem
    }
}

/// What a page says of a rejection whose sentence is about keys or numbers that nobody chose.
pub(crate) fn of_page(rejection: &Rejection) -> Option<String> {
    match rejection {
        Rejection::KeyReused => Some(
            "this form was sent before with other values. Reload the page and fill it in again".to_owned(),
        ),
        Rejection::StillRunning => {
            Some("this form is already being saved. Wait a moment, then reload the page to see it".to_owned())
        }
        Rejection::NoSuch { what, id } if id.bytes().all(|b| b.is_ascii_digit()) => {
            Some(format!("this {} does not exist. It may have been deleted", words::thing(*what)))
        }
        Rejection::NotVoidable { id, .. } => {
            Some(words::rejection(rejection).replacen(&format!("sale {id}"), "this sale", 1))
        }
        Rejection::HoldOver { id, .. } => {
            Some(words::rejection(rejection).replacen(&format!("the hold {id}"), "this hold", 1))
        }
        _ => None,
    }
}

fn kind_of(rejection: &Rejection) -> Kind {
    match rejection {
        Rejection::UnknownCode { .. } => Kind::UnknownCode,
        Rejection::WrongDigit { .. } => Kind::WrongDigit,
        Rejection::AlreadySold { .. } => Kind::AlreadySold,
        Rejection::Gone { .. } => Kind::Gone,
        Rejection::OnHold { .. } => Kind::OnHold,
        Rejection::NotEnough { .. } => Kind::NotEnough,
        Rejection::KeyReused => Kind::KeyReused,
        Rejection::StillRunning => Kind::StillRunning,
        Rejection::NoSuch { .. } => Kind::NoSuch,
        Rejection::HoldOver { .. } => Kind::HoldOver,
        Rejection::Invalid { .. } => Kind::Invalid,
        Rejection::MoreThanSold { .. } => Kind::MoreThanSold,
        Rejection::NotVoidable { .. } => Kind::NotVoidable,
        Rejection::Stale { .. } => Kind::Stale,
        Rejection::CodeTaken { .. } => Kind::CodeTaken,
        Rejection::OrderDiffers { .. } => Kind::OrderDiffers,
        Rejection::SameDateOtherContents { .. } => Kind::SameDateOtherContents,
        Rejection::RefundWaits { .. } => Kind::RefundWaits,
        Rejection::NumberUsedAgain { .. } => Kind::NumberUsedAgain,
        Rejection::TooOften { .. } => Kind::TooOften,
        Rejection::AboveLimit(_) => Kind::AboveYourLimit,
    }
}

/// Sets the members that programs read.
fn fill(document: &mut ProblemDocument, rejection: Rejection) {
    let item = |code, title| Some(ProblemItem { sku: code, name: title });
    match rejection {
        Rejection::AlreadySold { code, title, sold } => {
            document.item = item(code, title);
            document.sold = Some((*sold).into());
        }
        Rejection::Gone { code, title, why } => {
            document.item = item(code, title);
            document.why = Some(why.map_or("", StockReason::code).to_owned());
        }
        Rejection::OnHold { code, title, for_whom, until } => {
            document.item = item(code, title);
            document.for_whom = Some(words::held_for(&for_whom).to_owned());
            document.until = until.map(|until| until.at.to_string());
        }
        Rejection::NotEnough { code, title, asked, free } => {
            document.item = item(code, title);
            (document.asked, document.free) = (Some(asked.to_string()), Some(free.to_string()));
        }
        Rejection::MoreThanSold { asked, left, .. } => {
            (document.asked, document.left) = (Some(plain(asked)), Some(plain(left)));
        }
        Rejection::UnknownCode { code } | Rejection::CodeTaken { code, .. } => document.code = Some(code),
        Rejection::WrongDigit { code, expected } => {
            document.code = Some(code);
            document.check_digit = Some(expected.to_string());
        }
        Rejection::HoldOver { state, .. } => document.state = Some(state),
        Rejection::Stale { current, .. } => document.revision = Some(current.to_string()),
        Rejection::AboveLimit(AboveLimit { limit, asked, allowed }) => {
            document.limit = Some(limit.code().to_owned());
            (document.asked, document.allowed) = (Some(asked), Some(allowed));
        }
        Rejection::KeyReused
        | Rejection::StillRunning
        | Rejection::NoSuch { .. }
        | Rejection::Invalid { .. }
        | Rejection::NotVoidable { .. }
        | Rejection::OrderDiffers { .. }
        | Rejection::SameDateOtherContents { .. }
        | Rejection::RefundWaits { .. }
        | Rejection::NumberUsedAgain { .. }
        | Rejection::TooOften { .. } => {}
    }
}

/// As a program reads it.
fn plain(amount: Refundable) -> String {
    match amount {
        Refundable::Goods(quantity) => quantity.to_string(),
        Refundable::Money(money) => money.to_string(),
    }
}

impl From<SoldAs> for SoldDocument {
    fn from(sold: SoldAs) -> Self {
        Self {
            channel: sold.channel,
            at: sold.at.at.to_string(),
            receipt: sold.receipt.map(|r| r.to_string()),
            order: sold.order,
        }
    }
}

/// The pointer of a field: the ledger names fields like the feeds' columns, and in the API some are
/// elsewhere.
fn pointer_of(field: &str) -> String {
    match field {
        "offers.price" => "#/price".to_owned(),
        "quantity.unitCode" | "rate.unitCode" => "#/unitCode".to_owned(),
        other => format!("#/{}", other.replace('.', "/")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::day::{Moment, ShopTime, Zone};
    use domain::limits::LimitName;
    use domain::quantity::{Measure, Quantity};
    use ledger::rejection::{Edited, HeldFor, NotVoidable, RefundOfWhat, SalesReason, Thing};

    fn above() -> AboveLimit {
        let (asked, allowed) = ("30".to_owned(), "20".to_owned());
        AboveLimit { limit: LimitName::Discount, asked, allowed }
    }

    fn refusals() -> Vec<(Rejection, &'static str, u16, &'static str)> {
        let text = |t: &str| t.to_owned();
        let at = ShopTime { at: Moment::from_millis(1_770_000_000_000), zone: Zone::utc() };
        let pieces = |count| Quantity::from_stock_units(count, Measure::Units).expect("a quantity");
        let sold = Box::new(SoldAs { channel: text("store"), at: at.clone(), receipt: Some(7), order: None });
        let (code, title) = (text("A-1"), text("Moor cowl"));
        let sku = || (code.clone(), title.clone());
        let ((c1, t1), (c2, t2), (c3, t3), (c4, t4)) = (sku(), sku(), sku(), sku());
        let aside =
            Rejection::OnHold { code: c3, title: t3, for_whom: HeldFor::Name(text("Ann")), until: Some(at) };
        let too_few = Rejection::NotEnough { code: c4, title: t4, asked: pieces(3), free: pieces(2) };
        let too_much = Rejection::MoreThanSold {
            what: RefundOfWhat::Line(text("cowl")),
            asked: Refundable::Goods(pieces(2)),
            left: Refundable::Goods(pieces(1)),
        };
        let differs = Rejection::OrderDiffers { channel: text("online"), number: text("9") };
        let same_date = Rejection::SameDateOtherContents { channel: text("online"), number: text("9") };
        let waits = Rejection::RefundWaits { number: text("9"), refund: text("R1") };
        let used_again = Rejection::NumberUsedAgain { channel: text("online"), number: text("9") };
        vec![
            (Rejection::UnknownCode { code: text("X") }, "unknown-code", 404, "/code"),
            (Rejection::WrongDigit { code: text("X"), expected: 3 }, "wrong-digit", 422, "/checkDigit"),
            (Rejection::AlreadySold { code: c1, title: t1, sold }, "already-sold", 409, "/sold/receipt"),
            (Rejection::Gone { code: c2, title: t2, why: Some(StockReason::Damage) }, "gone", 409, "/why"),
            (aside, "on-hold", 409, "/until"),
            (too_few, "not-enough", 409, "/free"),
            (Rejection::KeyReused, "key-reused", 422, "/detail"),
            (Rejection::StillRunning, "still-running", 409, "/detail"),
            (Rejection::no_such(Thing::Sale, 5), "no-such", 404, "/detail"),
            (Rejection::HoldOver { id: text("5"), state: text("taken") }, "hold-over", 409, "/state"),
            (Rejection::invalid("weight.value", SalesReason::NoAmount), "invalid", 422, "/errors/0/pointer"),
            (too_much, "more-than-sold", 422, "/left"),
            (
                Rejection::NotVoidable { id: text("5"), reason: NotVoidable::NotToday },
                "not-voidable",
                409,
                "/detail",
            ),
            (
                Rejection::Stale { what: Edited::CurrentSale, expected: 1, current: 2 },
                "stale",
                412,
                "/revision",
            ),
            (Rejection::CodeTaken { code: text("X"), title: text("cowl") }, "code-taken", 409, "/code"),
            (differs, "order-differs", 409, "/detail"),
            (same_date, "same-date-other-contents", 409, "/detail"),
            (waits, "refund-waits", 409, "/detail"),
            (used_again, "number-used-again", 409, "/detail"),
            (Rejection::TooOften { seconds: 2 }, "too-often", 429, "/detail"),
            (Rejection::AboveLimit(above()), "above-your-limit", 403, "/limit"),
            (Rejection::AboveLimit(above()), "above-your-limit", 403, "/asked"),
            (Rejection::AboveLimit(above()), "above-your-limit", 403, "/allowed"),
        ]
    }

    #[test]
    fn every_refusal_has_its_type_its_status_and_its_members() {
        for (rejection, code, status, member) in refusals() {
            let words = words::rejection(&rejection);
            let problem = Problem::from(rejection);
            assert_eq!(problem.kind().code(), code);
            let text = serde_json::to_value(problem.into_document()).expect("a document");
            assert_eq!(text["status"], status, "{code}");
            assert!(
                text.pointer(member).is_some_and(serde_json::Value::is_string),
                "{code} lacks {member}: {text}"
            );
            assert_eq!(text["detail"], words, "{code}");
        }
    }

    #[test]
    fn no_trouble_tells_what_is_inside() {
        let io = || std::io::Error::other("/home/ann/shop.db: SELECT secret");
        let check = |trouble: StorageError, expected: &str| {
            let problem = Problem::from(trouble);
            assert_eq!(problem.kind().code(), expected);
            let cause = problem.cause.clone().unwrap_or_default();
            assert!(!cause.is_empty(), "{expected}: nothing for the log");
            let text = serde_json::to_string(&problem.into_document()).expect("a document");
            assert!(!text.contains("secret") && !text.contains("/home"), "{text}");
        };
        check(StorageError::File { what: "/home/ann/secret".to_owned(), source: io() }, "trouble");
        check(StorageError::Impossible { what: "item.price secret".to_owned() }, "trouble");
        check(StorageError::NoShop { place: "/home/ann/shop.db".to_owned() }, "trouble");
        check(StorageError::NoNode, "away");
        check(StorageError::SettingsChanged, "busy");
        check(StorageError::Undone, "busy");
    }

    #[test]
    fn the_log_gets_the_whole_chain() {
        let source = std::io::Error::other("no space left");
        let problem = Problem::from(StorageError::File { what: "cannot write shop.db".to_owned(), source });
        assert_eq!(problem.cause.as_deref(), Some("cannot write shop.db: no space left"));
    }

    #[test]
    fn fields_become_pointers() {
        let check = |field: &str, expected: &str| assert_eq!(pointer_of(field), expected);
        check("lines.3.quantity", "#/lines/3/quantity");
        check("offers.price", "#/price");
        check("quantity.unitCode", "#/unitCode");
        check("note", "#/note");
    }
}
