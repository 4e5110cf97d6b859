//! How long and how much the edge waits for, before any other rule applies.

use std::time::Duration;

/// Limits of connections, bodies and work. The constants below are used by the shop; tests pass shorter times.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Limits {
    /// The longest that the head of a request may take.
    pub(crate) head: Duration,
    /// The longest that a connection may be idle between two requests.
    pub(crate) idle: Duration,
    /// The longest that the other side may take nothing of an answer.
    pub(crate) stall: Duration,
    /// The pace of bodies, by who sends them.
    pub(crate) bodies: [(CallerKind, Pace); 3],
    /// The longest that a request waits for its turn.
    pub(crate) turn: Duration,
    pub(crate) connections: usize,
    /// Connections from one address.
    pub(crate) connections_each: usize,
    /// How long to accept no connections after the system refused one.
    pub(crate) accept_rest: Duration,
    /// How often the same problem with connections is logged.
    pub(crate) log_every: Duration,
}

/// How fast a body must come: this many bytes a second on average, after some initial time and up to a longest
/// time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Pace {
    /// The time that every body gets.
    pub(crate) first: Duration,
    /// What has come earns more time, at this rate.
    pub(crate) bytes_a_second: u64,
    pub(crate) longest: Duration,
}

impl Pace {
    /// The time that a body may have taken once this many bytes of it came.
    pub(crate) fn allowed(&self, bytes: u64) -> Duration {
        let earned = Duration::from_millis(bytes.saturating_mul(1000) / self.bytes_a_second.max(1));
        self.longest.min(self.first.saturating_add(earned))
    }
}

/// Who is asking, as far as gates are separate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum CallerKind {
    /// Nobody known: strangers, sign-ins, online shops' webhooks.
    Nobody,
    Person,
    /// A program or device with a token.
    Program,
}

/// A browser sends a head in one packet; over a bad line within seconds.
const HEAD: Duration = Duration::from_secs(10);
/// Longer than the 60 s for which proxies commonly keep a connection to a server (common practice, no source):
/// the side that sends must be the first to close, or a request gets lost.
/// closes first must be the one that sends, or a request is lost on the way.
const IDLE: Duration = Duration::from_secs(75);
/// A phone in a dead corner of the barn comes back within a minute.
const STALL: Duration = Duration::from_mins(1);
/// The time that every body gets: a form is one packet.
const FIRST: Duration = Duration::from_secs(10);
/// 64 kbit/s: the worst mobile connection over which photographs are still sent (our own choice, no source).
const BYTES_A_SECOND: u64 = 8 * 1024;
/// A stranger's largest body is a webhook, which a server sends at a server's speed.
const LONGEST_OF_NOBODY: Duration = Duration::from_secs(30);
/// A form with 64 MB of photographs over a slow line.
const LONGEST_OF_KNOWN: Duration = Duration::from_mins(10);
/// The database handles each within milliseconds; whoever waits longer is told so while the browser still
/// waits.
const TURN: Duration = Duration::from_secs(2);
/// Far above the counters, browsers and programs of a farm; each takes some tens of kilobytes.
pub(crate) const MAX_CONNECTIONS: usize = 1000;
/// A browser keeps six, and several may share one address.
const MAX_CONNECTIONS_EACH: usize = 64;
/// Long enough for some of the open ones to end, short enough that nobody notices.
const ACCEPT_REST: Duration = Duration::from_millis(200);
/// Each line says how often it happened.
const LOG_EVERY: Duration = Duration::from_mins(1);

impl Default for Limits {
    fn default() -> Self {
        let pace = |longest| Pace { first: FIRST, bytes_a_second: BYTES_A_SECOND, longest };
        Self {
            head: HEAD,
            idle: IDLE,
            stall: STALL,
            bodies: [
                (CallerKind::Nobody, pace(LONGEST_OF_NOBODY)),
                (CallerKind::Person, pace(LONGEST_OF_KNOWN)),
                (CallerKind::Program, pace(LONGEST_OF_KNOWN)),
            ],
            turn: TURN,
            connections: MAX_CONNECTIONS,
            connections_each: MAX_CONNECTIONS_EACH,
            accept_rest: ACCEPT_REST,
            log_every: LOG_EVERY,
        }
    }
}

impl Limits {
    pub(crate) fn pace(&self, of: CallerKind) -> Pace {
        let found = self.bodies.iter().find(|(kind, _)| *kind == of);
        found.map_or(self.bodies[0].1, |(_, pace)| *pace)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_body_earns_its_time() {
        let pace = Limits::default().pace(CallerKind::Program);
        let check = |bytes: u64, seconds: u64| {
            assert_eq!(pace.allowed(bytes), Duration::from_secs(seconds), "{bytes}");
        };
        check(0, 10);
        check(8 * 1024, 11);
        check(256 * 1024, 42);
        check(2 * 1024 * 1024, 266);
        check(64 * 1024 * 1024, 600);
        check(u64::MAX, 600);
        assert_eq!(Limits::default().pace(CallerKind::Nobody).allowed(1024 * 1024), Duration::from_secs(30));
    }
}
