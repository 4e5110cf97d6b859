//! The takings of the last seven days by channel, today among them, and those of the seven days before.

use crate::app::App;
use crate::pages::books::Summed;
use crate::pages::shown::{channel_name, counted, dye, money};
use crate::problem::Problem;
use domain::channel::Channel;
use domain::day::Day;
use domain::money::Money;
use domain::revenue::Figures;
use std::collections::BTreeMap;

/// Days of a week.
const WEEK: i32 = 7;
/// The drawing of a week: the height of its highest day, and the width of a day with the gap to the next.
const HEIGHT: i64 = 100;
const WIDTH: i64 = 40;
/// Half of a day without the gap.
const MIDDLE: i64 = 18;
/// Letters of a weekday below its column.
const LETTERS: usize = 3;

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Row {
    pub(crate) name: String,
    pub(crate) dye: &'static str,
    pub(crate) today: String,
    pub(crate) week: String,
}

/// A channel's part of a day, as a block of its column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Block {
    pub(crate) x: i64,
    pub(crate) y: i64,
    pub(crate) height: i64,
    pub(crate) dye: &'static str,
}

/// A day under its column.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Column {
    pub(crate) middle: i64,
    /// `Sun`.
    pub(crate) name: String,
    /// `Sunday, May 17, 2026: $42.00`.
    pub(crate) words: String,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Takings {
    pub(crate) day: Day,
    pub(crate) first: Day,
    pub(crate) rows: Vec<Row>,
    pub(crate) blocks: Vec<Block>,
    pub(crate) columns: Vec<Column>,
    pub(crate) today: String,
    pub(crate) week: String,
    /// The seven days before.
    pub(crate) before: String,
    /// The number of sales in the seven days: `3 sales`.
    pub(crate) sales: String,
}

type ByChannel = BTreeMap<Channel, Figures>;

/// The figures of the seven days up to this one, the first day first.
async fn week(app: &App, last: Day) -> Result<Vec<ByChannel>, Problem> {
    let mut days = Vec::new();
    for back in (0..WEEK).rev() {
        days.push(app.ledger.day_figures(last.plus_days(-back)).await?.into_iter().collect());
    }
    Ok(days)
}

fn sum<'f>(none: Figures, all: impl Iterator<Item = &'f Figures>) -> Result<Figures, Problem> {
    let mut sum = none;
    for figures in all {
        sum = sum.plus(figures).summed()?;
    }
    Ok(sum)
}

/// The columns of a week; a channel that paid back more than it took has no block.
fn blocks(days: &[ByChannel]) -> Result<Vec<Block>, Problem> {
    let mut columns = Vec::with_capacity(days.len());
    for day in days {
        let mut column = Vec::new();
        for (channel, figures) in day {
            column.push((dye(channel), figures.net().summed()?.minor().max(0)));
        }
        columns.push(column);
    }
    let height = |column: &Vec<(&str, i64)>| column.iter().map(|(_, net)| net).sum::<i64>();
    let highest = columns.iter().map(height).max().unwrap_or_default().max(1);
    let mut blocks = Vec::new();
    for (at, column) in (0_i64..).zip(&columns) {
        let mut top = HEIGHT;
        for (dye, net) in column.iter().filter(|(_, net)| *net > 0) {
            // A block of a cent can still be seen.
            let height = (net.saturating_mul(HEIGHT) / highest).max(1);
            top -= height;
            blocks.push(Block { x: at * WIDTH, y: top.max(0), height, dye });
        }
    }
    Ok(blocks)
}

/// The days of a week up to this one, with their sums.
fn columns(last: Day, days: &[ByChannel], none: Figures) -> Result<Vec<Column>, Problem> {
    let mut columns = Vec::with_capacity(days.len());
    for (at, (back, channels)) in (0_i64..).zip((0..WEEK).rev().zip(days)) {
        let day = last.plus_days(-back);
        let net = sum(none, channels.values())?.net().summed()?;
        columns.push(Column {
            middle: at * WIDTH + MIDDLE,
            name: day.weekday().chars().take(LETTERS).collect(),
            words: format!("{}: {}", day.shown_with_weekday(), money(net)),
        });
    }
    Ok(columns)
}

pub(crate) async fn read(app: &App, day: Day) -> Result<Takings, Problem> {
    let shop = app.ledger.shop();
    let none = Figures::none(shop.currency);
    let (days, earlier) = (week(app, day).await?, week(app, day.plus_days(-WEEK)).await?);
    let mut channels: Vec<&Channel> = days.iter().flat_map(BTreeMap::keys).collect();
    channels.sort_unstable();
    channels.dedup();
    let net = |figures: Figures| figures.net().summed();
    let mut rows = Vec::with_capacity(channels.len());
    for channel in channels {
        let of_today = days.last().and_then(|day| day.get(channel)).copied().unwrap_or(none);
        let of_week = sum(none, days.iter().filter_map(|day| day.get(channel)))?;
        rows.push(Row {
            name: channel_name(&shop, channel),
            dye: dye(channel),
            today: money(net(of_today)?),
            week: money(net(of_week)?),
        });
    }
    let whole = sum(none, days.iter().flat_map(BTreeMap::values))?;
    let today: Money = net(sum(none, days.last().into_iter().flat_map(BTreeMap::values))?)?;
    Ok(Takings {
        day,
        first: day.plus_days(1 - WEEK),
        rows,
        blocks: blocks(&days)?,
        columns: columns(day, &days, none)?,
        today: money(today),
        week: money(net(whole)?),
        before: money(net(sum(none, earlier.iter().flat_map(BTreeMap::values))?)?),
        sales: counted(whole.sales, "sale", "sales"),
    })
}
