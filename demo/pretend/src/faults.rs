//! What can go wrong at the shop's end, as settings that fall the same way each time.

use std::str::FromStr;

/// How a request goes wrong.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fault {
    /// It is acted on so much later, whether or not anybody still waits for the answer.
    Slow {
        /// How much later.
        millis: u64,
    },
    /// It is answered with this status.
    Status {
        /// The status.
        code: u16,
        /// What `Retry-After` says, in seconds; left out if none.
        retry_after: Option<u32>,
        /// Whether it was acted on nevertheless.
        acts: bool,
    },
    /// The connection breaks before it is acted on.
    ResetBefore,
    /// The connection breaks after it was acted on.
    ResetAfter,
    /// It is acted on; the answer ends in the middle.
    CutBody,
    /// It is acted on; the answer comes byte by byte.
    Drip {
        /// Between one byte and the next.
        millis: u64,
    },
    /// It is acted on; the answer is a page that says that all is well.
    WrongType,
    /// An error page of so many bytes.
    HugePage {
        /// How many.
        bytes: usize,
        /// Whether it was acted on nevertheless.
        acts: bool,
    },
}

/// What goes wrong, and how often.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Faults {
    /// Of a hundred requests, so many meet one of `kinds`.
    pub percent: u8,
    /// What they meet, each as likely as the others.
    pub kinds: Vec<Fault>,
    /// Of a hundred orders and hooks, so many are told twice.
    pub twice_percent: u8,
    /// Orders of a page, and hooks that are due together, come in any order.
    pub shuffled: bool,
    /// Of a hundred hooks, so many are never sent.
    pub lost_percent: u8,
    /// Orders on a page; 0 for as many as usual.
    pub page: usize,
    /// Of a hundred pages of the order list, after so many an order changes: the list shifts while it is read.
    pub shifts_percent: u8,
    /// Times are told in whole seconds, so that two states of an order may have one.
    pub whole_seconds: bool,
    /// How wrong the shop's clock is, in milliseconds.
    pub clock_off_ms: i64,
    /// A shop that is broken beyond what any sender can mend: an older message overwrites a later one.
    pub lets_stale_through: bool,
}

/// Says orders twice and in any order, and touches one of them after a page, where the faults want it.
#[derive(Debug)]
pub struct Shuffler {
    dice: fastrand::Rng,
    twice_percent: u8,
    shuffled: bool,
}

impl Shuffler {
    /// For one page.
    pub fn new(faults: &Faults, seed: u64) -> Self {
        let dice = fastrand::Rng::with_seed(seed);
        Self { dice, twice_percent: faults.twice_percent, shuffled: faults.shuffled }
    }

    /// The page's orders as they are told.
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

    /// Which of so many orders changes behind the page.
    pub fn touched(&mut self, faults: &Faults, orders: usize) -> Option<usize> {
        let is_touched = self.dice.u8(0..100) < faults.shifts_percent && orders > 0;
        is_touched.then(|| self.dice.usize(0..orders))
    }
}

/// Ten megabytes: what a server that dumps its insides sends.
const HUGE: usize = 10_000_000;
/// What `slow` and `drip` mean where nobody says how slow.
const SLOW_MS: u64 = 3_000;
const DRIP_MS: u64 = 200;

/// Not the name of a fault.
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
