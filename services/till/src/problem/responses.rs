//! The problems that an endpoint may answer, for its `OpenAPI` description.

use super::ProblemDocument;
use utoipa::{IntoParams, IntoResponses};

/// What a read may answer instead.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "these are read by the description alone")]
pub(crate) enum ReadProblems {
    /// malformed: a header cannot be read
    #[response(status = 400, content_type = "application/problem+json")]
    Malformed(ProblemDocument),
    /// sign-in-needed: the token is missing, wrong, over or ended
    #[response(status = 401, content_type = "application/problem+json")]
    Unknown(ProblemDocument),
    /// not-allowed (the token's role does not include it) or foreign-origin
    #[response(status = 403, content_type = "application/problem+json")]
    Foreign(ProblemDocument),
    /// unknown-code or no-such
    #[response(status = 404, content_type = "application/problem+json")]
    NoSuch(ProblemDocument),
    /// invalid or wrong-digit
    #[response(status = 422, content_type = "application/problem+json")]
    Invalid(ProblemDocument),
    /// trouble
    #[response(status = 500, content_type = "application/problem+json")]
    StorageError(ProblemDocument),
    /// busy or away; ask again after Retry-After seconds
    #[response(status = 503, content_type = "application/problem+json")]
    Busy(ProblemDocument),
}

/// What a write may answer instead.
#[derive(IntoResponses)]
#[expect(dead_code, reason = "these are read by the description alone")]
pub(crate) enum WriteProblems {
    /// key-missing or malformed
    #[response(status = 400, content_type = "application/problem+json")]
    Malformed(ProblemDocument),
    /// sign-in-needed: the token is missing, wrong, over or ended
    #[response(status = 401, content_type = "application/problem+json")]
    Unknown(ProblemDocument),
    /// not-allowed (the token's role does not include it), above-your-limit (which, and how far one may go),
    /// or foreign-origin
    #[response(status = 403, content_type = "application/problem+json")]
    Foreign(ProblemDocument),
    /// unknown-code or no-such
    #[response(status = 404, content_type = "application/problem+json")]
    NoSuch(ProblemDocument),
    /// already-sold (by whom and when), on-hold (until when), not-enough, gone, hold-over,
    /// not-voidable, code-taken, order-differs, same-date-other-contents, refund-waits, number-used-again, or
    /// still-running
    #[response(status = 409, content_type = "application/problem+json")]
    Conflict(ProblemDocument),
    /// too-slow: the body did not come in time; nothing was done
    #[response(status = 408, content_type = "application/problem+json")]
    TooSlow(ProblemDocument),
    /// too-large
    #[response(status = 413, content_type = "application/problem+json")]
    TooLarge(ProblemDocument),
    /// unsupported-media-type
    #[response(status = 415, content_type = "application/problem+json")]
    NotJson(ProblemDocument),
    /// invalid (which fields), wrong-digit, more-than-sold, or key-reused
    #[response(status = 422, content_type = "application/problem+json")]
    Invalid(ProblemDocument),
    /// trouble
    #[response(status = 500, content_type = "application/problem+json")]
    StorageError(ProblemDocument),
    /// busy or away; ask again with the same key after Retry-After seconds
    #[response(status = 503, content_type = "application/problem+json")]
    Busy(ProblemDocument),
}

/// The header of every write.
#[derive(IntoParams)]
#[into_params(parameter_in = Header)]
#[expect(dead_code, reason = "this is read by the description alone")]
pub(crate) struct KeyHeader {
    /// A new random value for each new request; the same again to repeat one.
    #[param(rename = "Idempotency-Key")]
    key: String,
}
