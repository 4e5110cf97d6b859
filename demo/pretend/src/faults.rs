//! What can go wrong at the shop's end, as settings that have the same effect each time.

use std::str::FromStr;

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It is acted on later, whether or not anybody still waits for the answer.
    Slow { millis: u64 },
    /// It is answered with this status.
    Status {
        code: u16,
        /// The value of `Retry-After`, in seconds; left out if none.
        retry_after: Option<u32>,
        /// Whether it was acted on anyway.
        acts: bool,
    },
    /// The connection breaks before the request is acted on.
    ResetBefore,
    /// The connection breaks after the request was acted on.
    ResetAfter,
    /// It is acted on, and the answer ends in the middle.
    CutBody,
    /// It is acted on, and the answer comes byte by byte.
    Drip {
        /// Between one byte and the next.
        millis: u64,
    },
    /// It is acted on, and the answer is a web page that reports success.
    WrongType,
    HugePage {
        bytes: usize,
        /// Whether it was acted on anyway.
        acts: bool,
    },
}

/// What goes wrong, and how often.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// How many of a hundred requests meet one of `kinds`.
    pub percent: u8,
    /// Each is as likely as the others.
    pub kinds: Vec<Fault>,
    /// How many of a hundred orders and hooks are sent twice.
    pub twice_percent: u8,
    /// Orders on a page, and hooks that are due together, come in random order.
    pub shuffled: bool,
    /// How many of a hundred hooks are never sent.
    pub lost_percent: u8,
    /// Orders per page; 0 for the usual number.
    pub page: usize,
    /// After how many of a hundred pages an order changes, so that the list shifts while it is read.
    pub shifts_percent: u8,
    /// Times are in whole seconds, so that two states of an order may have the same one.
    pub whole_seconds: bool,
    /// How far the shop's clock is off, in milliseconds.
    pub clock_off_ms: i64,
    /// A shop so broken that no sender can correct it: an older message overwrites a later one.
    pub lets_stale_through: bool,
}

/// Sends orders twice and in random order, and touches one of them after a page, as the faults say.
#[derive(Debug)]
pub struct Shuffler {
    dice: fastrand::Rng,
    twice_percent: u8,
    shuffled: bool,
}

impl Shuffler {
    pub fn new(faults: &Faults, seed: u64) -> Self {
        let dice = fastrand::Rng::with_seed(seed);
        Self { dice, twice_percent: faults.twice_percent, shuffled: faults.shuffled }
    }

    /// The page's orders as they are sent.
    pub fn told<T: Clone>(&mut self, orders: Vec<T>) -> Vec<T> {
        let mut told = Vec::with_capacity(orders.len());
        for order in orders {
            if self.twice_percent > 0 && self.dice.u8(0..100) < self.twice_percent {
                told.push(order.clone());
            }
            told.push(order);
        }
        if self.shuffled {
            self.dice.shuffle(&mut told);
        }
        told
    }

    /// Which of this many orders changes after the page.
    pub fn touched(&mut self, faults: &Faults, orders: usize) -> Option<usize> {
        let is_touched = self.dice.u8(0..100) < faults.shifts_percent && orders > 0;
        is_touched.then(|| self.dice.usize(0..orders))
    }
}

/// Ten megabytes, like a server that dumps its memory.
const HUGE: usize = 10_000_000;
/// How slow `slow` and `drip` are unless somebody says.
const SLOW_MS: u64 = 3_000;
const DRIP_MS: u64 = 200;

#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "“{0}” is no fault: write slow, slow:MS, a status such as 503, 503:SECONDS for Retry-After, 500+acted, \
     reset-before, reset-after, cut, drip, drip:MS, wrong-type or huge"
)]
pub struct NotAFault(String);

impl FromStr for Fault {
    type Err = NotAFault;

    fn from_str(text: &str) -> Result<Self, NotAFault> {
        let not = || NotAFault(text.to_owned());
        let (word, acts) = text.strip_suffix("+acted").map_or((text, false), |word| (word, true));
        let (word, number) = match word.split_once(':') {
            Some((word, number)) => (word, Some(number.parse::<u32>().map_err(|_| not())?)),
            None => (word, None),
        };
        let millis = |usual| number.map_or(usual, u64::from);
        let fault = match word {
            "slow" => Self::Slow { millis: millis(SLOW_MS) },
            "drip" => Self::Drip { millis: millis(DRIP_MS) },
            "huge" if number.is_none() => return Ok(Self::HugePage { bytes: HUGE, acts }),
            "reset-before" if number.is_none() => Self::ResetBefore,
            "reset-after" if number.is_none() => Self::ResetAfter,
            "cut" if number.is_none() => Self::CutBody,
            "wrong-type" if number.is_none() => Self::WrongType,
            _ => {
                let code = word.parse().ok().filter(|code| (200..=599).contains(code)).ok_or_else(not)?;
                return Ok(Self::Status { code, retry_after: number, acts });
            }
        };
        if acts { Err(not()) } else { Ok(fault) }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fault_has_a_name() {
        let check = |text: &str, expected: Option<Fault>| {
            assert_eq!(text.parse::<Fault>().ok(), expected, "{text}");
        };
        check("slow", Some(Fault::Slow { millis: 3_000 }));
        check("slow:20", Some(Fault::Slow { millis: 20 }));
        check("503", Some(Fault::Status { code: 503, retry_after: None, acts: false }));
        check("429:30", Some(Fault::Status { code: 429, retry_after: Some(30), acts: false }));
        check("500+acted", Some(Fault::Status { code: 500, retry_after: None, acts: true }));
        check("reset-before", Some(Fault::ResetBefore));
        check("reset-after", Some(Fault::ResetAfter));
        check("cut", Some(Fault::CutBody));
        check("drip:5", Some(Fault::Drip { millis: 5 }));
        check("wrong-type", Some(Fault::WrongType));
        check("huge", Some(Fault::HugePage { bytes: 10_000_000, acts: false }));
        for wrong in ["", "fast", "slow:", "slow:x", "199", "600", "cut:3", "slow+acted", "drip+acted"] {
            check(wrong, None);
        }
    }
}
