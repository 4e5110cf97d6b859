//! The books as a table: groups of rows by channel, the columns of `fleecefold books`.

use super::Summed;
use crate::pages::shown::{capital, channel_name, decimal, number};
use crate::problem::Problem;
use domain::channel::Channel;
use domain::money::Currency;
use domain::money::Money;
use domain::revenue::Figures;
use ledger::Shop;
use ledger::books::BooksRow;
use std::collections::BTreeMap;

/// The columns' headings, in the order of [`cells`].
pub(crate) const HEADINGS: [&str; 15] = [
    "Sales",
    "Units",
    "Ounces",
    "Gross sales",
    "Discounts",
    "Refunds",
    "Net sales",
    "Shipping",
    "Sales tax",
    "Fees",
    "Postage",
    "Cost",
    "Margin",
    "No cost",
    "Rounding",
];

/// The columns that are always shown; the others are shown on request.
const ALWAYS: [&str; 5] = ["Sales", "Net sales", "Sales tax", "Cost", "Margin"];

/// The class of a column's cells. The position always comes from a loop over [`HEADINGS`] or a row of cells.
#[expect(clippy::trivially_copy_pass_by_ref, reason = "a template passes what its loop counts by reference")]
pub(crate) fn class(column: &usize) -> &'static str {
    if HEADINGS.get(*column).is_some_and(|heading| ALWAYS.contains(heading)) {
        "figure"
    } else {
        "figure further"
    }
}

/// Figures in the order of [`HEADINGS`], as pages write them.
fn cells(figures: &Figures) -> Result<[String; 15], Problem> {
    let money = Money::shown;
    Ok([
        number(figures.sales),
        number(figures.units),
        decimal(figures.ounces()),
        money(figures.gross),
        money(figures.discounts),
        money(figures.refunds),
        money(figures.net().summed()?),
        money(figures.shipping),
        money(figures.tax),
        money(figures.fees),
        money(figures.postage),
        money(figures.cost),
        money(figures.margin().summed()?),
        number(figures.uncosted),
        money(figures.rounding),
    ])
}

/// A page without what its cells carry for phones, so that a test reads the figures.
#[cfg(test)]
pub(crate) fn without_labels(page: &str) -> String {
    let labels = HEADINGS.map(|heading| format!(" data-label=\"{heading}\""));
    let page = page.replace(" further", "").replace(" data-sum", "");
    labels.iter().fold(page, |page, label| page.replace(label.as_str(), ""))
}

/// A row: a channel, or all of them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Line {
    /// The channel's name, or the words for all.
    pub(crate) name: String,
    /// Whether it is the sum of the rows above it.
    pub(crate) is_sum: bool,
    /// The figures, in the order of the columns.
    pub(crate) cells: [String; 15],
}

/// Rows that belong together.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Group {
    /// What they are about, such as a month.
    pub(crate) name: String,
    /// The page with details.
    pub(crate) path: String,
    /// Its rows.
    pub(crate) lines: Vec<Line>,
}

/// The table.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct Table {
    /// What it shows.
    pub(crate) caption: String,
    /// What each group is, such as `Month`.
    pub(crate) heading: String,
    /// The columns' words.
    pub(crate) columns: [&'static str; 15],
    /// The groups, in their order.
    pub(crate) groups: Vec<Group>,
    /// Their sums, by channel and together.
    pub(crate) total: Vec<Line>,
}

/// The rows of some figures by channel, and their sum if there are several.
pub(crate) fn lines(
    shop: &Shop,
    by_channel: &BTreeMap<Channel, Figures>,
    all: &str,
) -> Result<Vec<Line>, Problem> {
    let mut lines = Vec::with_capacity(by_channel.len() + 1);
    let mut sum = Figures::none(shop.currency);
    for (channel, figures) in by_channel {
        sum = sum.plus(figures).summed()?;
        let cells = cells(figures)?;
        lines.push(Line { name: channel_name(shop, channel), is_sum: false, cells });
    }
    if lines.len() > 1 {
        lines.push(Line { name: all.to_owned(), is_sum: true, cells: cells(&sum)? });
    }
    Ok(lines)
}

/// From rows that are also grouped by channel; `group` returns each row's group and its link.
pub(crate) fn table(
    shop: &Shop,
    word: &'static str,
    rows: &[BooksRow],
    group: impl Fn(&BooksRow) -> (String, String),
) -> Result<Table, Problem> {
    let mut groups: Vec<((String, String), BTreeMap<Channel, Figures>)> = Vec::new();
    let mut total: BTreeMap<Channel, Figures> = BTreeMap::new();
    for row in rows {
        let Some(channel) = &row.channel else { continue };
        let named = group(row);
        if groups.last().is_none_or(|(last, _)| *last != named) {
            groups.push((named, BTreeMap::new()));
        }
        if let Some((_, by_channel)) = groups.last_mut() {
            add(by_channel, channel, &row.figures, shop.currency)?;
        }
        add(&mut total, channel, &row.figures, shop.currency)?;
    }
    let group = |((name, path), by_channel): ((String, String), BTreeMap<Channel, Figures>)| {
        Ok(Group { name, path, lines: lines(shop, &by_channel, "Total")? })
    };
    let groups = groups.into_iter().map(group).collect::<Result<Vec<_>, Problem>>()?;
    let caption = format!("{} by channel", capital(word));
    Ok(Table {
        caption,
        heading: capital(word),
        columns: HEADINGS,
        groups,
        total: lines(shop, &total, "Total")?,
    })
}

fn add(
    sums: &mut BTreeMap<Channel, Figures>,
    channel: &Channel,
    figures: &Figures,
    currency: Currency,
) -> Result<(), Problem> {
    let sum = sums.entry(channel.clone()).or_insert_with(|| Figures::none(currency));
    *sum = sum.plus(figures).summed()?;
    Ok(())
}
