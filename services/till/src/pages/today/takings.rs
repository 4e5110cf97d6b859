//! What the day brought so far by channel, beside the same weekday of the week before.

use crate::app::App;
use crate::pages::books::table::channel_name;
use crate::problem::{Kind, Problem};
use domain::channel::Channel;
use domain::day::Day;
use domain::money::{Money, MoneyError};
use domain::revenue::Figures;
use std::collections::BTreeMap;

/// Days of a week.
const WEEK: i32 = 7;

/// A channel's row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) name: String,
    pub(crate) now: Money,
    pub(crate) before: Money,
}

/// The takings.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Takings {
    pub(crate) currency: String,
    pub(crate) day: Day,
    /// The same weekday a week ago.
    pub(crate) then: Day,
    pub(crate) rows: Vec<Row>,
    pub(crate) now: Money,
    pub(crate) before: Money,
    /// Sales so far, and on that day.
    pub(crate) sales: (i64, i64),
}

fn too_large(error: MoneyError) -> Problem {
    Problem::new(Kind::Trouble, "the day's sums are too large").because(&error)
}

/// Reads them.
pub(crate) async fn read(app: &App, day: Day) -> Result<Takings, Problem> {
    let shop = app.ledger.shop();
    let then = day.plus_days(-WEEK);
    let none = Figures::none(shop.currency);
    let mut by_channel: BTreeMap<Channel, (Figures, Figures)> = BTreeMap::new();
    for (channel, figures) in app.ledger.day_figures(day).await? {
        by_channel.entry(channel).or_insert((none, none)).0 = figures;
    }
    for (channel, figures) in app.ledger.day_figures(then).await? {
        by_channel.entry(channel).or_insert((none, none)).1 = figures;
    }
    let mut sums = (none, none);
    let mut rows = Vec::with_capacity(by_channel.len());
    for (channel, (now, before)) in &by_channel {
        sums = (sums.0.plus(now).map_err(too_large)?, sums.1.plus(before).map_err(too_large)?);
        let (now, before) = (now.net().map_err(too_large)?, before.net().map_err(too_large)?);
        rows.push(Row { name: channel_name(&shop, channel), now, before });
    }
    Ok(Takings {
        currency: shop.currency.to_string(),
        day,
        then,
        rows,
        now: sums.0.net().map_err(too_large)?,
        before: sums.1.net().map_err(too_large)?,
        sales: (sums.0.sales, sums.1.sales),
    })
}
