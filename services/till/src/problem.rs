//! Refusals and failures as RFC 9457 problem documents, from one closed list of types.
//!
//! A problem's text is for people; its type and its members are for programs. What went wrong inside (SQL,
//! paths, panics) is logged at the edge and never sent.

mod document;
mod from_ledger;
mod responses;

pub(crate) use document::{Fault, ProblemDocument, ProblemItem, SoldDocument};
pub(crate) use from_ledger::of_page;
pub(crate) use responses::{KeyHeader, ReadProblems, WriteProblems};

use axum::http::{HeaderName, HeaderValue, StatusCode, header};
use axum::response::{IntoResponse, Response};
use std::error::Error;
use std::fmt::Write;

/// Says that this answer was given before, under the same key.
pub(crate) const REPLAYED: HeaderName = HeaderName::from_static("answered-before");
/// The media type of RFC 9457.
pub(crate) const PROBLEM_JSON: &str = "application/problem+json";
/// Seconds after which another try may succeed: a sale that is in the way takes milliseconds, and a bulk write
/// lets others in between.
const RETRY_AFTER_SECONDS: HeaderValue = HeaderValue::from_static("1");

/// How a program says who it is (RFC 9110, 11.6.1; RFC 6750, 3).
pub(crate) const BEARER: HeaderValue = HeaderValue::from_static("Bearer realm=\"fleecefold\"");

/// Makes the enum of types, with the path, status and title of each.
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

            /// The last segment of its type's URI.
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
    /// Set aside for somebody else.
    OnHold "on-hold" CONFLICT "It is on hold",
    /// Less free stock than asked for.
    NotEnough "not-enough" CONFLICT "There is not enough in stock",
    /// No longer in stock, but not because of a sale.
    Gone "gone" CONFLICT "It is no longer in stock",
    /// No item has the code.
    UnknownCode "unknown-code" NOT_FOUND "No item has this code",
    /// The code's check digit is wrong.
    WrongDigit "wrong-digit" UNPROCESSABLE_ENTITY "The code has a wrong digit",
    /// The key was used before with another body.
    KeyReused "key-reused" UNPROCESSABLE_ENTITY "The key was used for another request",
    /// The first request with the key is still running.
    StillRunning "still-running" CONFLICT "The first request with this key is still running",
    /// There is no such thing.
    NoSuch "no-such" NOT_FOUND "Not found",
    /// The hold has been taken, ended or has expired.
    HoldOver "hold-over" CONFLICT "The hold has ended",
    /// A value is wrong.
    Invalid "invalid" UNPROCESSABLE_ENTITY "A value is wrong",
    /// More given back than was sold.
    MoreThanSold "more-than-sold" UNPROCESSABLE_ENTITY "You cannot refund more than was sold",
    /// The sale cannot be voided.
    NotVoidable "not-voidable" CONFLICT "The sale cannot be voided",
    /// Somebody else changed it meanwhile.
    Stale "stale" PRECONDITION_FAILED "Someone else changed it",
    /// An edit without If-Match.
    PreconditionRequired "precondition-required" PRECONDITION_REQUIRED "The edit needs an If-Match header",
    /// The code belongs to another item.
    CodeTaken "code-taken" CONFLICT "The code belongs to another item",
    /// The order was taken in before with other contents.
    OrderDiffers "order-differs" CONFLICT "The order was imported before with different contents",
    /// The order has the same dateModified as before, but other contents.
    SameDateOtherContents "same-date-other-contents" CONFLICT "The order has the same date but different contents",
    /// A refund of goods that are not sold yet.
    RefundWaits "refund-waits" CONFLICT "The refund is of goods that still wait",
    /// The order's number was used for another purchase.
    NumberUsedAgain "number-used-again" CONFLICT "The order's number was used for another purchase",
    /// A write without its key.
    KeyMissing "key-missing" BAD_REQUEST "The request needs an Idempotency-Key",
    /// The request cannot be parsed.
    Malformed "malformed" BAD_REQUEST "The request cannot be read",
    /// A body over the limit.
    TooLarge "too-large" PAYLOAD_TOO_LARGE "The request is too large",
    /// The body did not arrive in time.
    TooSlow "too-slow" REQUEST_TIMEOUT "The request arrived too slowly",
    /// Not JSON.
    UnsupportedMediaType "unsupported-media-type" UNSUPPORTED_MEDIA_TYPE "The request's body must be JSON",
    /// The path exists, but not with this method.
    MethodNotAllowed "method-not-allowed" METHOD_NOT_ALLOWED "This method is not supported here",
    /// No such path.
    NotFound "not-found" NOT_FOUND "Nothing at this address",
    /// The caller is not known.
    SignInNeeded "sign-in-needed" UNAUTHORIZED "Sign-in required",
    /// The caller's role lacks the permission.
    NotAllowed "not-allowed" FORBIDDEN "Not allowed",
    /// Above what the owner lets this caller do alone.
    AboveYourLimit "above-your-limit" FORBIDDEN "This is above your limit",
    /// Too many wrong attempts to sign in.
    TooOften "too-often" TOO_MANY_REQUESTS "Too many wrong attempts",
    /// Sent by another site's page, or addressed to another server.
    ForeignOrigin "foreign-origin" FORBIDDEN "The request comes from another site",
    /// Another try in a moment may succeed.
    Busy "busy" SERVICE_UNAVAILABLE "The shop is busy",
    /// The database cannot be reached at the moment.
    Away "away" SERVICE_UNAVAILABLE "The shop's database is unavailable",
    /// Anything else that is not the caller's fault.
    StorageError "trouble" INTERNAL_SERVER_ERROR "Something went wrong",
}

/// A problem to be answered.
#[derive(Debug)]
pub(crate) struct Problem {
    kind: Kind,
    document: Box<ProblemDocument>,
    replayed: bool,
    wait: Option<i64>,
    cause: Option<String>,
    on_page: Option<String>,
}

impl Problem {
    pub(crate) fn new(kind: Kind, detail: impl Into<String>) -> Self {
        let document = Box::new(ProblemDocument::new(kind, detail.into()));
        Self { kind, document, replayed: false, wait: None, cause: None, on_page: None }
    }

    /// Sets what a page says instead of the detail, which is for programs and their writers.
    pub(crate) fn on_page(self, words: impl Into<String>) -> Self {
        Self { on_page: Some(words.into()), ..self }
    }

    /// What a page says.
    pub(crate) fn page_words(&self) -> &str {
        self.on_page.as_deref().unwrap_or(&self.document.detail)
    }

    /// A wrong value in the body, at a JSON Pointer.
    pub(crate) fn invalid(pointer: impl Into<String>, reason: impl std::fmt::Display) -> Self {
        let pointer = pointer.into();
        let detail = reason.to_string();
        let said = format!("{}: {detail}", pointer.trim_start_matches("#/").replace('/', "."));
        let mut problem = Self::new(Kind::Invalid, said);
        problem.document.errors = vec![Fault { detail, pointer: Some(pointer), parameter: None }];
        problem
    }

    /// A wrong value in the query or in a header.
    pub(crate) fn invalid_parameter(name: &str, reason: impl std::fmt::Display) -> Self {
        let detail = reason.to_string();
        let mut problem = Self::new(Kind::Invalid, format!("{name}: {detail}"));
        problem.on_page = Some(detail.clone());
        problem.document.errors = vec![Fault { detail, pointer: None, parameter: Some(name.to_owned()) }];
        problem
    }

    /// Adds the error behind it, for the log only.
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

    /// Adds words for the log only.
    pub(crate) fn caused_by(self, cause: String) -> Self {
        Self { cause: Some(cause), ..self }
    }

    /// Marks it as an answer that the key got before.
    pub(crate) fn replayed(self, replayed: bool) -> Self {
        Self { replayed, ..self }
    }

    /// Sets how many seconds to wait before the next try.
    pub(crate) fn wait(self, seconds: i64) -> Self {
        Self { wait: Some(seconds), ..self }
    }

    /// How many seconds to wait before the next try; one if unset.
    pub(crate) fn retry_after(&self) -> i64 {
        self.wait.unwrap_or(1)
    }

    /// Adds a sentence for the caller.
    pub(crate) fn with_more(mut self, sentence: &str) -> Self {
        self.document.detail = format!("{}. {sentence}", self.document.detail);
        self
    }

    /// Puts `prefix`, such as `#/items/3`, before the pointers of its faults.
    pub(crate) fn below(mut self, prefix: &str) -> Self {
        for fault in &mut self.document.errors {
            if let Some(pointer) = &mut fault.pointer {
                *pointer = format!("{prefix}/{}", pointer.trim_start_matches("#/"));
            }
        }
        self
    }

    /// The document by itself, to be part of another answer.
    pub(crate) fn into_document(self) -> ProblemDocument {
        *self.document
    }

    pub(crate) fn kind(&self) -> Kind {
        self.kind
    }
}

/// What the edge needs of a problem to count it, log it and show it as a page.
#[derive(Clone, Debug)]
pub(crate) struct Reported {
    pub(crate) kind: Kind,
    pub(crate) cause: Option<String>,
    /// As a page says it.
    pub(crate) detail: String,
    pub(crate) faults: Vec<String>,
}

impl IntoResponse for Problem {
    fn into_response(self) -> Response {
        let status = self.kind.status();
        // A document of strings and one number always serializes.
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
        let detail = self.on_page.unwrap_or(self.document.detail);
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
