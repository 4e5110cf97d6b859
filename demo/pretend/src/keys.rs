//! `Idempotency-Key`: the same request gets the same answer again.

use sha2::{Digest, Sha256};
use std::collections::{HashMap, VecDeque};

/// How many answers are kept, newest last: far more than can be under way at once.
const MAX_KEPT: usize = 10_000;

/// An answer that is given again.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Kept {
    pub(crate) status: u16,
    pub(crate) etag: String,
    pub(crate) body: String,
}

/// What is known about a key.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Known {
    New,
    /// The same request got this answer.
    Answered(Kept),
    /// It was used for another request.
    OfAnother,
}

#[derive(Clone, Debug, Default)]
pub(crate) struct Keys {
    kept: HashMap<String, ([u8; 32], Kept)>,
    by_age: VecDeque<String>,
}

/// What two equal requests have in common.
pub(crate) fn print_of(method: &str, path: &str, body: &[u8]) -> [u8; 32] {
    let mut hash = Sha256::new();
    for part in [method.as_bytes(), path.as_bytes(), body] {
        hash.update(u64::try_from(part.len()).unwrap_or(u64::MAX).to_le_bytes());
        hash.update(part);
    }
    hash.finalize().into()
}

impl Keys {
    pub(crate) fn known(&self, key: &str, print: &[u8; 32]) -> Known {
        match self.kept.get(key) {
            None => Known::New,
            Some((of, kept)) if of == print => Known::Answered(kept.clone()),
            Some(_) => Known::OfAnother,
        }
    }

    pub(crate) fn keep(&mut self, key: String, print: [u8; 32], answer: Kept) {
        if self.by_age.len() >= MAX_KEPT
            && let Some(oldest) = self.by_age.pop_front()
        {
            self.kept.remove(&oldest);
        }
        if self.kept.insert(key.clone(), (print, answer)).is_none() {
            self.by_age.push_back(key);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_has_one_answer() {
        let mut keys = Keys::default();
        let print = print_of("PUT", "/intake/A", b"{}");
        let answer = Kept { status: 201, etag: "\"1\"".to_owned(), body: "{}".to_owned() };
        assert_eq!(keys.known("k", &print), Known::New);
        keys.keep("k".to_owned(), print, answer.clone());
        assert_eq!(keys.known("k", &print), Known::Answered(answer.clone()));
        assert_eq!(keys.known("k", &print_of("PUT", "/intake/A", b"{ }")), Known::OfAnother);
        assert_eq!(keys.known("k", &print_of("PUT", "/intake/B", b"{}")), Known::OfAnother);
        for other in 0..MAX_KEPT {
            keys.keep(other.to_string(), print, answer.clone());
        }
        assert_eq!(keys.known("k", &print), Known::New, "the oldest makes room");
        assert_eq!((keys.kept.len(), keys.by_age.len()), (MAX_KEPT, MAX_KEPT));
    }
}
