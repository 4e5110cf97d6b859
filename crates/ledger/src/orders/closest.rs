//! The pieces in stock that come closest to one that is gone.

use crate::shelf::item_view;
use crate::shelf::items::ItemView;
use crate::store::Ledger;
use crate::store::error::CommandError;
use domain::codes::Code;
use domain::color_difference::{Apart, apart};
use domain::quantity::Quantity;
use domain::text::fold;
use rust_decimal::Decimal;
use sqlx::{AnyConnection, AssertSqlSafe};
use std::cmp::Reverse;

/// How many of a style, and of all other styles, are compared: the latest ones, whatever the shop's
/// size.
const LOOKED_AT: i64 = 1000;

/// A piece that could be a substitute.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Closest {
    /// The piece in stock.
    pub item: ItemView,
    /// Whether it is of the same style.
    pub same_style: bool,
    /// Whether it is of the same size.
    pub same_size: bool,
    /// The difference of their colors, if both are known.
    pub apart: Option<Apart>,
    /// How many grams heavier it is; lighter if below 0. None if a weight is unknown.
    pub heavier_grams: Option<Decimal>,
}

impl Ledger {
    /// What comes closest to an item and has `quantity` free, closest first: by style, then size, then
    /// color in whole units of CIEDE2000, then weight. Only items that are counted or weighed in the
    /// same way.
    pub async fn closest(
        &self,
        to: &Code,
        quantity: Quantity,
        limit: usize,
    ) -> Result<Vec<Closest>, CommandError> {
        let wanted = self.item(to).await?;
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let same = "i.style_id = (SELECT style_id FROM item WHERE id = $1)";
        let other = "(i.style_id IS NULL OR NOT EXISTS (SELECT 1 FROM item w WHERE w.id = $1 AND w.style_id = i.style_id))";
        let mut found = candidates(&mut connection, &wanted, quantity, same, currency).await?;
        if found.len() < limit {
            found.extend(candidates(&mut connection, &wanted, quantity, other, currency).await?);
        }
        let mut closest: Vec<Closest> = found.into_iter().map(|item| beside(&wanted, item)).collect();
        closest.sort_by_key(rank);
        closest.truncate(limit);
        Ok(closest)
    }
}

async fn candidates(
    connection: &mut AnyConnection,
    wanted: &ItemView,
    quantity: Quantity,
    which: &str,
    currency: domain::money::Currency,
) -> Result<Vec<ItemView>, CommandError> {
    let text = format!(
        "{} WHERE {which} AND i.kind = $2 AND i.id <> $1 AND i.on_hand - i.held >= $3 ORDER BY i.id DESC LIMIT $4",
        *item_view::COLUMNS
    );
    let rows = sqlx::query(AssertSqlSafe(text))
        .bind(wanted.id.raw())
        .bind(wanted.kind.code().to_owned())
        .bind(quantity.stock_units())
        .bind(LOOKED_AT)
        .fetch_all(connection)
        .await?;
    let items = rows.iter().map(|row| item_view::read(row, currency)).collect::<Result<Vec<_>, _>>()?;
    Ok(items.into_iter().filter(|item| item.measure() == wanted.measure()).collect())
}

fn beside(wanted: &ItemView, item: ItemView) -> Closest {
    let grams = |item: &ItemView| item.weight.map(domain::weight::Weight::grams);
    Closest {
        same_style: item.style.is_some() && item.style == wanted.style,
        same_size: fold(&item.text.size) == fold(&wanted.text.size),
        apart: apart(&wanted.text.color, &item.text.color),
        heavier_grams: grams(&item).zip(grams(wanted)).map(|(its, other)| its - other),
        item,
    }
}

type Rank = (bool, bool, u32, Decimal, Reverse<domain::ids::ItemId>);

/// Unknown comes after known; of equals, the latest first.
fn rank(one: &Closest) -> Rank {
    let apart = one.apart.map_or(u32::MAX, Apart::units);
    let weight = one.heavier_grams.map_or(Decimal::MAX, |grams| grams.abs());
    (!one.same_style, !one.same_size, apart, weight, Reverse(one.item.id))
}
