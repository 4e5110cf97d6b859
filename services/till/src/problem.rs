//! Refusals and troubles as RFC 9457 problem documents, from one closed list of types.
//!
//! A refusal's words are for people; its type and its members are for programs. What went wrong
//! inside (SQL, paths, panics) is logged at the edge and never answered.

mod document;
mod from_ledger;
mod responses;

pub(crate) use document::{Fault, ProblemDocument, ProblemItem, SoldDocument};
pub(crate) use responses::{KeyHeader, ReadProblems, WriteProblems};

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::error::Error;
use std::fmt::Write;

/// Says that an answer was given before, under the same key.
pub(crate) const REPLAYED: HeaderName = HeaderName::from_static("answered-before");
/// The media type of RFC 9457.
pub(crate) const PROBLEM_JSON: &str = "application/problem+json";
/// Seconds after which asking again may help: a sale that is in the way takes milliseconds, a bulk
/// write lets others in between.
const RETRY_AFTER_SECONDS: HeaderValue = HeaderValue::from_static("1");

/// How a program says who it is (RFC 9110, 11.6.1; RFC 6750, 3).
pub(crate) const BEARER: HeaderValue = HeaderValue::from_static("Bearer realm=\"fleecefold\"");

/// Makes the list of types with the path, the status and the title of each.
macro_rules! kinds {
    ($($(#[$doc:meta])* $kind:ident $code:literal $status:ident $title:literal,)+) => {
        /// Every type of problem that the API answers.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub(crate) enum Kind {
            $($(#[$doc])* $kind,)+
        }

        impl Kind {
            /// All of them.
            #[cfg(test)]
            pub(crate) const ALL: &'static [Self] = &[$(Self::$kind,)+];

            /// The last part of its type.
            pub(crate) fn code(self) -> &'static str {
                match self {
                    $(Self::$kind => $code,)+
                }
            }

            /// Its status.
            pub(crate) fn status(self) -> StatusCode {
                match self {
                    $(Self::$kind => StatusCode::$status,)+
                }
            }

            /// Its title, the same for each problem of the type.
            pub(crate) fn title(self) -> &'static str {
                match self {
                    $(Self::$kind => $title,)+
                }
            }
        }
    };
}

kinds! {
    /// Sold before.
    AlreadySold "already-sold" CONFLICT "It was already sold",
    /// Set aside for somebody.
    OnHold "on-hold" CONFLICT "It is on hold",
    /// Less free stock than asked for.
    NotEnough "not-enough" CONFLICT "There is not enough in stock",
    /// Gone, but not by a sale.
    Gone "gone" CONFLICT "It is no longer in stock",
    /// No item has the code.
    UnknownCode "unknown-code" NOT_FOUND "No item has this code",
    /// The code has a wrong digit.
    WrongDigit "wrong-digit" UNPROCESSABLE_ENTITY "The code has a wrong digit",
    /// The key came with another body before.
    KeyReused "key-reused" UNPROCESSABLE_ENTITY "The key was used for another request",
    /// The first request with the key has not ended.
    StillRunning "still-running" CONFLICT "The first request with this key is still running",
    /// There is no such thing.
    NoSuch "no-such" NOT_FOUND "Not found",
    /// The hold is over.
    HoldOver "hold-over" CONFLICT "The hold has ended",
    /// A value is wrong.
    Invalid "invalid" UNPROCESSABLE_ENTITY "A value is wrong",
    /// More given back than was sold.
    MoreThanSold "more-than-sold" UNPROCESSABLE_ENTITY "You cannot refund more than was sold",
    /// The sale cannot be voided.
    NotVoidable "not-voidable" CONFLICT "The sale cannot be voided",
    /// Changed by somebody else meanwhile.
    Stale "stale" PRECONDITION_FAILED "Someone else changed it",
    /// An edit without If-Match.
    PreconditionRequired "precondition-required" PRECONDITION_REQUIRED "The edit needs an If-Match header",
    /// The code finds another item.
    CodeTaken "code-taken" CONFLICT "The code belongs to another item",
    /// The order was taken in with other contents.
    OrderDiffers "order-differs" CONFLICT "The order was imported before with different contents",
    /// The order has the dateModified that it had before, and other contents.
    SameDateOtherContents "same-date-other-contents" CONFLICT "The order has the same date but different contents",
    /// A refund of goods that are not sold yet.
    RefundWaits "refund-waits" CONFLICT "The refund is of goods that still wait",
    /// The order's number was used for another purchase.
    NumberUsedAgain "number-used-again" CONFLICT "The order's number was used for another purchase",
    /// A write without its key.
    KeyMissing "key-missing" BAD_REQUEST "The request needs an Idempotency-Key",
    /// Not readable as what it should be.
    Malformed "malformed" BAD_REQUEST "The request cannot be read",
    /// A body over the limit.
    TooLarge "too-large" PAYLOAD_TOO_LARGE "The request is too large",
    /// The body did not come in time.
    TooSlow "too-slow" REQUEST_TIMEOUT "The request arrived too slowly",
    /// Not JSON.
    UnsupportedMediaType "unsupported-media-type" UNSUPPORTED_MEDIA_TYPE "The request's body must be JSON",
    /// The path knows other methods.
    MethodNotAllowed "method-not-allowed" METHOD_NOT_ALLOWED "This method is not supported here",
    /// No such path.
    NotFound "not-found" NOT_FOUND "Nothing at this address",
    /// It is not known who asks.
    SignInNeeded "sign-in-needed" UNAUTHORIZED "Sign-in required",
    /// Their role does not include it.
    NotAllowed "not-allowed" FORBIDDEN "Not allowed",
    /// More than the owner lets them do by themselves.
    AboveYourLimit "above-your-limit" FORBIDDEN "This is above your limit",
    /// Too many wrong tries to sign in.
    TooOften "too-often" TOO_MANY_REQUESTS "Too many wrong attempts",
    /// From a page of elsewhere, or not for this server.
    ForeignOrigin "foreign-origin" FORBIDDEN "The request comes from another site",
    /// Ask again in a moment.
    Busy "busy" SERVICE_UNAVAILABLE "The shop is busy",
    /// The database cannot be used now.
    Away "away" SERVICE_UNAVAILABLE "The shop's database is unavailable",
    /// Anything that is not the caller's fault.
    StorageError "trouble" INTERNAL_SERVER_ERROR "Something went wrong",
}

/// A problem about to be answered.
#[derive(Debug)]
pub(crate) struct Problem {
    kind: Kind,
    document: Box<ProblemDocument>,
    replayed: bool,
    wait: Option<i64>,
    cause: Option<String>,
}

impl Problem {
    pub(crate) fn new(kind: Kind, detail: impl Into<String>) -> Self {
        let document = Box::new(ProblemDocument::new(kind, detail.into()));
        Self { kind, document, replayed: false, wait: None, cause: None }
    }

    /// A value of the body is wrong, at a JSON Pointer.
    pub(crate) fn invalid(pointer: impl Into<String>, reason: impl std::fmt::Display) -> Self {
        let pointer = pointer.into();
        let detail = reason.to_string();
        let said = format!("{}: {detail}", pointer.trim_start_matches("#/").replace('/', "."));
        let mut problem = Self::new(Kind::Invalid, said);
        problem.document.errors = vec![Fault { detail, pointer: Some(pointer), parameter: None }];
        problem
    }

    /// A value of the query or a header is wrong.
    pub(crate) fn invalid_parameter(name: &str, reason: impl std::fmt::Display) -> Self {
        let detail = reason.to_string();
        let mut problem = Self::new(Kind::Invalid, format!("{name}: {detail}"));
        problem.document.errors = vec![Fault { detail, pointer: None, parameter: Some(name.to_owned()) }];
        problem
    }

    /// With what went wrong inside, for the log alone.
    pub(crate) fn because(self, error: &dyn Error) -> Self {
        let mut cause = error.to_string();
        let mut next = error.source();
        while let Some(error) = next {
            // Writing to a String cannot fail.
            let _ = write!(cause, ": {error}");
            next = error.source();
        }
        self.caused_by(cause)
    }

    /// With words for the log alone.
    pub(crate) fn caused_by(self, cause: String) -> Self {
        Self { cause: Some(cause), ..self }
    }

    /// Says that its key got this answer before.
    pub(crate) fn replayed(self, replayed: bool) -> Self {
        Self { replayed, ..self }
    }

    /// Says how many seconds to wait before asking again.
    pub(crate) fn wait(self, seconds: i64) -> Self {
        Self { wait: Some(seconds), ..self }
    }

    /// How many seconds to wait before asking again; one, if nothing is said.
    pub(crate) fn retry_after(&self) -> i64 {
        self.wait.unwrap_or(1)
    }

    /// With another sentence for the caller.
    pub(crate) fn with_more(mut self, sentence: &str) -> Self {
        self.document.detail = format!("{}. {sentence}", self.document.detail);
        self
    }

    /// The pointers of its faults stand below `prefix`, such as `#/items/3`.
    pub(crate) fn below(mut self, prefix: &str) -> Self {
        for fault in &mut self.document.errors {
            if let Some(pointer) = &mut fault.pointer {
                *pointer = format!("{prefix}/{}", pointer.trim_start_matches("#/"));
            }
        }
        self
    }

    /// The document alone, to stand within another answer.
    pub(crate) fn into_document(self) -> ProblemDocument {
        *self.document
    }

    pub(crate) fn kind(&self) -> Kind {
        self.kind
    }
}

/// What the edge counts and logs of a problem that was answered, and writes of it as a page.
#[derive(Clone, Debug)]
pub(crate) struct Reported {
    pub(crate) kind: Kind,
    pub(crate) cause: Option<String>,
    pub(crate) detail: String,
    pub(crate) faults: Vec<String>,
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = self.kind.status();
        // A document of strings and one number cannot fail to be written.
        let body = serde_json::to_vec(&self.document).unwrap_or_default();
        let mut response = (status, [(header::CONTENT_TYPE, PROBLEM_JSON)], body).into_response();
        if status == StatusCode::SERVICE_UNAVAILABLE {
            response.headers_mut().insert(header::RETRY_AFTER, RETRY_AFTER_SECONDS);
        }
        if let Some(seconds) = self.wait {
            response.headers_mut().insert(header::RETRY_AFTER, HeaderValue::from(seconds));
        }
        if status == StatusCode::UNAUTHORIZED {
            response.headers_mut().insert(header::WWW_AUTHENTICATE, BEARER);
        }
        if self.replayed {
            response.headers_mut().insert(REPLAYED, HeaderValue::from_static("true"));
        }
        let faults = self.document.errors.iter().map(|fault| fault.detail.clone()).collect();
        let detail = self.document.detail;
        response.extensions_mut().insert(Reported { kind: self.kind, cause: self.cause, detail, faults });
        response
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::collections::HashSet;

    #[test]
    fn types_are_told_apart_and_bodies_agree_with_their_status() {
        let mut seen = HashSet::new();
        for kind in Kind::ALL {
            assert!(seen.insert(kind.code()), "{} stands twice", kind.code());
            let document = Problem::new(*kind, "words").into_document();
            let text = serde_json::to_value(&document).expect("a document");
            assert_eq!(text["type"], format!("/problems/{}", kind.code()));
            assert_eq!(text["status"], kind.status().as_u16());
            assert_eq!(text["title"], kind.title());
            assert_eq!(Problem::new(*kind, "words").into_response().status(), kind.status());
        }
    }

    #[test]
    fn faults_move_below_a_prefix() {
        let document = Problem::invalid("#/weight/value", "no").below("#/items/3").into_document();
        assert_eq!(document.errors[0].pointer.as_deref(), Some("#/items/3/weight/value"));
        assert_eq!(document.detail, "weight.value: no");
    }
}
