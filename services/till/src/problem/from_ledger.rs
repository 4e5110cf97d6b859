//! What the ledger refuses or cannot do, as problems: one match for each, with no arm for the rest.

use super::{Kind, Problem, ProblemDocument, ProblemItem, SoldDocument};
use domain::limits::AboveLimit;
use ledger::{Failure, Refusal, SoldAs, Trouble};

/// The words of a trouble of which nothing more is said outside.
const TROUBLE: &str = "the request failed. Try again with the same key, and check the program's log if it \
    happens again";
const AWAY: &str = "the shop's database cannot be used right now. Try again with the same key, and check the \
    program's log";

impl From<Failure> for Problem {
    fn from(failure: Failure) -> Self {
        match failure {
            Failure::Refused(refusal) => (*refusal).into(),
            Failure::Trouble(trouble) => trouble.into(),
        }
    }
}

impl From<Trouble> for Problem {
    fn from(trouble: Trouble) -> Self {
        let problem = match &trouble {
            // Their words name nothing inside.
            Trouble::Busy(_)
            | Trouble::Collided(_)
            | Trouble::SettingsChanged
            | Trouble::OutcomeUnknown(_) => Self::new(Kind::Busy, trouble.to_string()),
            Trouble::Unreachable(_)
            | Trouble::ReadOnly(_)
            | Trouble::Full(_)
            | Trouble::NotWritable
            | Trouble::NoNode => Self::new(Kind::Away, AWAY),
            Trouble::NoShop { .. }
            | Trouble::BadUrl { .. }
            | Trouble::NotAShop(_)
            | Trouble::Foreign { .. }
            | Trouble::Newer { .. }
            | Trouble::NeedsOwner
            | Trouble::OtherSchema { .. }
            | Trouble::Older(_)
            | Trouble::KeptAnswer(_)
            | Trouble::Impossible { .. }
            | Trouble::File { .. }
            | Trouble::Database(_) => Self::new(Kind::Trouble, TROUBLE),
        };
        problem.because(&trouble)
    }
}

impl Problem {
    /// A panic, of which the caller learns no more than of any other trouble.
    pub(crate) fn panicked(words: &str) -> Self {
        Self::new(Kind::Trouble, TROUBLE).caused_by(format!("panic: {words}"))
    }

    /// The database does not answer, whatever the reason.
    pub(crate) fn away(failure: &Failure) -> Self {
        Self::new(Kind::Away, AWAY).because(failure)
    }
}

impl From<Refusal> for Problem {
    fn from(refusal: Refusal) -> Self {
        if let Refusal::Invalid { field, reason } = &refusal {
            return Self::invalid(pointer_of(field), reason);
        }
        let mut problem = Self::new(kind_of(&refusal), refusal.to_string());
        if let Refusal::TooOften { seconds } = &refusal {
            problem = problem.wait(*seconds);
        }
        fill(&mut problem.document, refusal);
        problem
    }
}

fn kind_of(refusal: &Refusal) -> Kind {
    match refusal {
        Refusal::UnknownCode { .. } => Kind::UnknownCode,
        Refusal::WrongDigit { .. } => Kind::WrongDigit,
        Refusal::AlreadySold { .. } => Kind::AlreadySold,
        Refusal::Gone { .. } => Kind::Gone,
        Refusal::SetAside { .. } => Kind::SetAside,
        Refusal::NotEnough { .. } => Kind::NotEnough,
        Refusal::KeyReused => Kind::KeyReused,
        Refusal::StillRunning => Kind::StillRunning,
        Refusal::NoSuch { .. } => Kind::NoSuch,
        Refusal::HoldOver { .. } => Kind::HoldOver,
        Refusal::Invalid { .. } => Kind::Invalid,
        Refusal::MoreThanSold { .. } => Kind::MoreThanSold,
        Refusal::NotVoidable { .. } => Kind::NotVoidable,
        Refusal::Stale { .. } => Kind::Stale,
        Refusal::CodeTaken { .. } => Kind::CodeTaken,
        Refusal::OrderDiffers { .. } => Kind::OrderDiffers,
        Refusal::SameDateOtherContents { .. } => Kind::SameDateOtherContents,
        Refusal::NumberUsedAgain { .. } => Kind::NumberUsedAgain,
        Refusal::TooOften { .. } => Kind::TooOften,
        Refusal::AboveLimit(_) => Kind::AboveYourLimit,
    }
}

/// The members that a program reads.
fn fill(document: &mut ProblemDocument, refusal: Refusal) {
    let item = |code, title| Some(ProblemItem { sku: code, name: title });
    match refusal {
        Refusal::AlreadySold { code, title, sold } => {
            document.item = item(code, title);
            document.sold = Some(sold.into());
        }
        Refusal::Gone { code, title, why } => {
            document.item = item(code, title);
            document.why = Some(why);
        }
        Refusal::SetAside { code, title, for_whom, until } => {
            document.item = item(code, title);
            document.for_whom = Some(for_whom);
            document.until = until.map(|u| u.to_string());
        }
        Refusal::NotEnough { code, title, asked, free } => {
            document.item = item(code, title);
            (document.asked, document.free) = (Some(asked), Some(free));
        }
        Refusal::MoreThanSold { asked, left, .. } => {
            (document.asked, document.left) = (Some(asked), Some(left));
        }
        Refusal::UnknownCode { code } | Refusal::CodeTaken { code, .. } => document.code = Some(code),
        Refusal::WrongDigit { code, expected } => {
            document.code = Some(code);
            document.check_digit = Some(expected.to_string());
        }
        Refusal::HoldOver { state, .. } => document.state = Some(state),
        Refusal::Stale { current, .. } => document.revision = Some(current.to_string()),
        Refusal::AboveLimit(AboveLimit { limit, asked, allowed }) => {
            document.limit = Some(limit.code().to_owned());
            (document.asked, document.allowed) = (Some(asked), Some(allowed));
        }
        Refusal::KeyReused
        | Refusal::StillRunning
        | Refusal::NoSuch { .. }
        | Refusal::Invalid { .. }
        | Refusal::NotVoidable { .. }
        | Refusal::OrderDiffers { .. }
        | Refusal::SameDateOtherContents { .. }
        | Refusal::NumberUsedAgain { .. }
        | Refusal::TooOften { .. } => {}
    }
}

impl From<SoldAs> for SoldDocument {
    fn from(sold: SoldAs) -> Self {
        Self {
            channel: sold.channel,
            at: sold.at.to_string(),
            receipt: sold.receipt.map(|r| r.to_string()),
            order: sold.order,
        }
    }
}

/// The ledger names fields as the feeds' columns are named; here some stand elsewhere.
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
    use domain::day::Moment;
    use domain::limits::LimitName;

    fn above() -> AboveLimit {
        let (asked, allowed) = ("30".to_owned(), "20".to_owned());
        AboveLimit { limit: LimitName::Discount, asked, allowed }
    }

    fn refusals() -> Vec<(Refusal, &'static str, u16, &'static str)> {
        let text = |t: &str| t.to_owned();
        let at = Moment::from_millis(1_770_000_000_000);
        let sold = SoldAs { channel: text("store"), at, receipt: Some(7), order: None };
        let (code, title) = (text("A-1"), text("Moor cowl"));
        let sku = || (code.clone(), title.clone());
        let ((c1, t1), (c2, t2), (c3, t3), (c4, t4)) = (sku(), sku(), sku(), sku());
        let aside = Refusal::SetAside { code: c3, title: t3, for_whom: text("Ann"), until: Some(at) };
        let too_few = Refusal::NotEnough { code: c4, title: t4, asked: text("3"), free: text("2") };
        let too_much = Refusal::MoreThanSold { title: text("cowl"), asked: text("2"), left: text("1") };
        let differs = Refusal::OrderDiffers { channel: text("online"), number: text("9") };
        let same_date = Refusal::SameDateOtherContents { channel: text("online"), number: text("9") };
        let used_again = Refusal::NumberUsedAgain { channel: text("online"), number: text("9") };
        vec![
            (Refusal::UnknownCode { code: text("X") }, "unknown-code", 404, "/code"),
            (Refusal::WrongDigit { code: text("X"), expected: 3 }, "wrong-digit", 422, "/checkDigit"),
            (Refusal::AlreadySold { code: c1, title: t1, sold }, "already-sold", 409, "/sold/receipt"),
            (Refusal::Gone { code: c2, title: t2, why: text("damage") }, "gone", 409, "/why"),
            (aside, "set-aside", 409, "/until"),
            (too_few, "not-enough", 409, "/free"),
            (Refusal::KeyReused, "key-reused", 422, "/detail"),
            (Refusal::StillRunning, "still-running", 409, "/detail"),
            (Refusal::no_such("sale", 5), "no-such", 404, "/detail"),
            (Refusal::HoldOver { id: text("5"), state: text("taken") }, "hold-over", 409, "/state"),
            (Refusal::invalid("weight.value", "no"), "invalid", 422, "/errors/0/pointer"),
            (too_much, "more-than-sold", 422, "/left"),
            (Refusal::NotVoidable { id: text("5"), reason: text("late") }, "not-voidable", 409, "/detail"),
            (Refusal::Stale { what: text("item"), expected: 1, current: 2 }, "stale", 412, "/revision"),
            (Refusal::CodeTaken { code: text("X"), title: text("cowl") }, "code-taken", 409, "/code"),
            (differs, "order-differs", 409, "/detail"),
            (same_date, "same-date-other-contents", 409, "/detail"),
            (used_again, "number-used-again", 409, "/detail"),
            (Refusal::TooOften { seconds: 2 }, "too-often", 429, "/detail"),
            (Refusal::AboveLimit(above()), "above-your-limit", 403, "/limit"),
            (Refusal::AboveLimit(above()), "above-your-limit", 403, "/asked"),
            (Refusal::AboveLimit(above()), "above-your-limit", 403, "/allowed"),
        ]
    }

    #[test]
    fn every_refusal_has_its_type_its_status_and_its_members() {
        for (refusal, code, status, member) in refusals() {
            let words = refusal.to_string();
            let problem = Problem::from(refusal);
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
        let check = |trouble: Trouble, expected: &str| {
            let problem = Problem::from(trouble);
            assert_eq!(problem.kind().code(), expected);
            let cause = problem.cause.clone().unwrap_or_default();
            assert!(!cause.is_empty(), "{expected}: nothing for the log");
            let text = serde_json::to_string(&problem.into_document()).expect("a document");
            assert!(!text.contains("secret") && !text.contains("/home"), "{text}");
        };
        check(Trouble::File { what: "/home/ann/secret".to_owned(), source: io() }, "trouble");
        check(Trouble::Impossible { what: "item.price secret".to_owned() }, "trouble");
        check(Trouble::NoShop { place: "/home/ann/shop.db".to_owned() }, "trouble");
        check(Trouble::NoNode, "away");
        check(Trouble::SettingsChanged, "busy");
    }

    #[test]
    fn the_log_gets_the_whole_chain() {
        let source = std::io::Error::other("no space left");
        let problem = Problem::from(Trouble::File { what: "cannot write shop.db".to_owned(), source });
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
