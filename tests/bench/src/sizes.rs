//! How much is measured.

use std::time::Duration;

/// The sizes of one run of the bench.
pub(crate) struct Sizes {
    /// Pieces of the shops that counters sell from.
    pub(crate) pieces: u32,
    /// Sales of one counter in one run.
    pub(crate) sales: u32,
    /// Runs of a comparison whose runs take seconds.
    pub(crate) rounds: usize,
    /// Runs of a comparison whose runs take a fraction of a second.
    pub(crate) quick_rounds: usize,
    /// Runs of the import and of the bare import.
    pub(crate) import_rounds: usize,
    /// How long 32 counters ring up in one run.
    pub(crate) rush: Duration,
    /// Orders of the past that are taken in.
    pub(crate) orders: u32,
    /// Listings of a whole feed, and items of the shop that is started.
    pub(crate) listings: u32,
    /// Items of the small shop and of the large one in which ten change.
    pub(crate) small_shop: u32,
    pub(crate) large_shop: u32,
    /// Orders of the small books; the large ones are [`Sizes::orders`].
    pub(crate) few_orders: u32,
    /// Sales of the large shop whose pages are measured.
    pub(crate) sales_made: u32,
    /// Requests of each page on each side.
    pub(crate) page_rounds: usize,
    /// Sales whose way to the online shop is timed: one by one, and many per second.
    pub(crate) told_idle: u32,
    pub(crate) told_busy: u32,
    /// How long a shop with an online shop is watched while nothing happens.
    pub(crate) idle: Duration,
}

impl Sizes {
    /// As the aims require.
    pub(crate) fn full() -> Self {
        Self {
            pieces: 64_000,
            sales: 2_000,
            rounds: 5,
            quick_rounds: 15,
            import_rounds: 3,
            rush: Duration::from_secs(5),
            orders: 100_000,
            listings: 100_000,
            small_shop: 1_000,
            large_shop: 1_000_000,
            few_orders: 1_000,
            sales_made: 1_000_000,
            page_rounds: 200,
            told_idle: 200,
            told_busy: 1_500,
            idle: Duration::from_mins(1),
        }
    }

    /// To see within a minute or two that everything works; such figures say nothing about the aims.
    pub(crate) fn quick() -> Self {
        Self {
            pieces: 16_000,
            sales: 300,
            rounds: 3,
            quick_rounds: 5,
            import_rounds: 1,
            rush: Duration::from_secs(1),
            orders: 5_000,
            listings: 10_000,
            small_shop: 1_000,
            large_shop: 50_000,
            few_orders: 500,
            sales_made: 20_000,
            page_rounds: 20,
            told_idle: 30,
            told_busy: 150,
            idle: Duration::from_secs(10),
        }
    }
}
