//! Errors in words.

/// An error with all its causes.
pub(crate) fn tell_all(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let cause_words = cause.to_string();
        if !words.contains(&cause_words) {
            words = format!("{words}: {cause_words}");
        }
        source = cause.source();
    }
    words
}
