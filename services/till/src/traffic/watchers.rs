//! Limits on long-running streams: in all, and for one person.

use crate::problem::{Kind, Problem};
use std::collections::HashMap;
use std::sync::{Arc, Mutex, PoisonError};

/// Streams of sales at once: far above the number of counters on a farm, and few enough for the database, which
/// each of them asks two small questions several times a second.
pub(crate) const MAX_WATCHED: usize = 64;
/// For one person or program: a browser keeps six connections to a server, and two devices may have been
/// left on.
pub(crate) const MAX_WATCHED_EACH: usize = 12;

/// How many streams each person has.
#[derive(Debug, Default)]
pub(crate) struct Watchers(Mutex<HashMap<String, usize>>);

impl Watchers {
    /// A slot for somebody, given back when dropped.
    pub(crate) fn take(of: &Arc<Self>, who: &str) -> Result<Watching, Problem> {
        let mut watched = of.0.lock().unwrap_or_else(PoisonError::into_inner);
        if watched.values().sum::<usize>() >= MAX_WATCHED {
            let words = "too many sales are watched at once; this one is read again when it is touched";
            return Err(Problem::new(Kind::Busy, words));
        }
        let own = watched.entry(who.to_owned()).or_default();
        if *own >= MAX_WATCHED_EACH {
            let words = format!(
                "You watch {MAX_WATCHED_EACH} sales already. Close one of their pages, then load this one again."
            );
            return Err(Problem::new(Kind::Busy, words));
        }
        *own += 1;
        drop(watched);
        Ok(Watching { of: Arc::clone(of), who: who.to_owned() })
    }
}

#[derive(Debug)]
pub(crate) struct Watching {
    of: Arc<Watchers>,
    who: String,
}

impl Drop for Watching {
    fn drop(&mut self) {
        let mut watched = self.of.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(own) = watched.get_mut(&self.who) {
            *own -= 1;
            if *own == 0 {
                watched.remove(&self.who);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_person_leaves_room_for_others() {
        let watchers = Arc::new(Watchers::default());
        let mut open: Vec<Watching> =
            (0..MAX_WATCHED_EACH).map(|_| Watchers::take(&watchers, "Maud").expect("room")).collect();
        let refused = Watchers::take(&watchers, "Maud").expect_err("too many");
        assert_eq!(refused.kind(), Kind::Busy);
        assert!(Watchers::take(&watchers, "Ash").is_ok());
        open.pop();
        assert!(Watchers::take(&watchers, "Maud").is_ok());
    }

    #[test]
    fn there_are_so_many_in_all() {
        let watchers = Arc::new(Watchers::default());
        let take = |number: usize| Watchers::take(&watchers, &format!("person {number}"));
        let open: Vec<Watching> = (0..MAX_WATCHED).map(|number| take(number).expect("room")).collect();
        assert!(take(MAX_WATCHED).is_err());
        drop(open);
        assert!(watchers.0.lock().expect("a lock").is_empty());
    }
}
