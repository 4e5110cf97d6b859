//! The day's takings so far by channel, next to those of the same weekday a week ago.

use crate::app::App;
use crate::pages::books::Summed;
use crate::pages::shown::{channel_name, counted, money};
use crate::problem::Problem;
use domain::channel::Channel;
use domain::day::Day;
use domain::revenue::Figures;
use std::collections::BTreeMap;

/// Days of a week.
const WEEK: i32 = 7;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) name: String,
    pub(crate) now: String,
    pub(crate) before: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Takings {
    pub(crate) day: Day,
    /// The same weekday a week ago.
    pub(crate) then: Day,
    pub(crate) rows: Vec<Row>,
    pub(crate) now: String,
    pub(crate) before: String,
    /// The number of sales so far, and on that day: `3 sales`.
    pub(crate) now_count: String,
    pub(crate) before_count: String,
}

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
        sums = (sums.0.plus(now).summed()?, sums.1.plus(before).summed()?);
        let (now, before) = (now.net().summed()?, before.net().summed()?);
        rows.push(Row { name: channel_name(&shop, channel), now: money(now), before: money(before) });
    }
    Ok(Takings {
        day,
        then,
        rows,
        now: money(sums.0.net().summed()?),
        before: money(sums.1.net().summed()?),
        now_count: counted(sums.0.sales, "sale", "sales"),
        before_count: counted(sums.1.sales, "sale", "sales"),
    })
}
