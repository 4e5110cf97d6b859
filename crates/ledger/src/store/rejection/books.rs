//! What is wrong with what is booked or asked of the books.

use domain::channel::Channel;
use domain::day::{Day, Month};
use serde::{Deserialize, Serialize};

/// Why a value is refused that has to do with the books.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum BooksReason {
    /// A day's total would not fit its column.
    DayFull {
        /// Of which channel.
        channel: Channel,
        /// Which day.
        day: Day,
    },
    /// The last month is before the first.
    MonthsReversed {
        /// The first.
        from: Month,
        /// The last.
        to: Month,
    },
}
