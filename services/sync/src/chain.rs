//! Errors in words.

use ledger::CommandError;
use std::error::Error;

/// An error with everything behind it. What the ledger refused is said once, as a sentence.
pub(crate) fn tell_all(error: &(dyn Error + 'static)) -> String {
    let mut words = said(error);
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_words = said(cause);
        if !words.contains(&cause_words) {
            words = format!("{words}: {cause_words}");
        }
        source = cause.source();
    }
    words
}

fn said(error: &(dyn Error + 'static)) -> String {
    error.downcast_ref::<CommandError>().map_or_else(|| error.to_string(), words::failure)
}
