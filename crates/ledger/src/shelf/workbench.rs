//! Finished pieces: weighed, priced, with the work and the photographs that belong to them.

use crate::people::activity_log;
use crate::shelf::items::{AddedItem, ItemPrice, RowOutcome, own_amounts, price_of};
use crate::shelf::photographs::{self, PictureName};
use crate::shelf::styles::{self, StyleView};
use crate::shelf::usual_weights::{self, UsualWeights};
use crate::shelf::{item_name, item_rows};
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShelfReason};
use crate::store::sql::insert_rows;
use crate::store::storage_error::StorageError;
use crate::store::tables;
use async_trait::async_trait;
use domain::ids::ItemId;
use domain::item::{ItemPricing, ItemStock, ItemText, NewItem};
use domain::money::{Currency, Money};
use domain::pricing::{Calculation, margin};
use domain::quantity::Measure;
use domain::stock::ItemKind;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;
use std::collections::{HashMap, HashSet};

/// The most pieces finished at once: five batches from “Add many”.
pub const MAX_PIECES_AT_ONCE: usize = 100;
/// The most photographs of one piece: all sides, a detail, and somebody wearing it.
pub const MAX_PHOTOGRAPHS: usize = 8;
/// The most rows and the most minutes for a piece; more is taken for a typing error.
const MAX_WORK: i64 = 1_000_000;

/// A piece that was just finished.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewPiece {
    /// In words, without images. If the name is empty, it is made from style, colors and size.
    pub text: ItemText,
    /// With its weight without the container.
    pub pricing: ItemPricing,
    /// Why its price is not the style's, if it is not.
    pub price_reason: String,
    /// The first one is shown everywhere.
    pub photographs: Vec<PictureName>,
    /// Rows knitted or woven.
    pub rows: Option<i64>,
    /// Minutes of work.
    pub minutes: Option<i64>,
    /// The maker's own note.
    pub note: String,
}

/// Finishes pieces, at most [`MAX_PIECES_AT_ONCE`]. A wrong one is rejected by itself, and nothing of
/// it is kept.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct FinishPieces {
    /// At most [`MAX_PIECES_AT_ONCE`].
    pub pieces: Vec<NewPiece>,
    /// The maker, for the activity log.
    pub who: String,
}

/// The outcome for a piece.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum PieceOutcome {
    /// It is in stock.
    Finished(Box<Finished>),
    /// Rejected; the others go on.
    Refused(Rejection),
}

/// A piece that is now in stock.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Finished {
    /// Its codes and its price.
    pub item: AddedItem,
    /// The price by the style's rule, even if it is overridden.
    pub by_rule: Option<Calculation>,
    /// Price less cost, if the cost is known.
    pub margin: Option<Money>,
}

/// What a piece would cost, before it is saved.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Priced {
    /// Calculated, or an override.
    pub price: ItemPrice,
    /// The price by the style's rule, even if it is overridden.
    pub by_rule: Option<Calculation>,
    /// Price less cost, if the cost is known.
    pub margin: Option<Money>,
    /// What the style's latest pieces weigh.
    pub usual: Option<UsualWeights>,
}

#[async_trait]
impl Command for FinishPieces {
    /// One outcome per piece, in the same order.
    type Answer = Vec<PieceOutcome>;

    fn is_long(&self) -> bool {
        self.pieces.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<Vec<PieceOutcome>, CommandError> {
        if self.pieces.len() > MAX_PIECES_AT_ONCE {
            let reason = ShelfReason::TooManyPieces { limit: MAX_PIECES_AT_ONCE };
            return Err(Rejection::invalid("pieces", reason).into());
        }
        let who = text::short(&self.who).field("who")?;
        let currency = tx.shop().currency;
        let styles = styles::by_folded_name(tx.db(), currency).await?;
        let known = self.known_photographs(tx).await?;
        let checked: Vec<_> = self.pieces.iter().map(|piece| piece.checked(&styles, &known)).collect();
        let prepared = checked
            .iter()
            .map(|checked| match checked {
                Ok(checked) => item_rows::prepare(&checked.item, &styles, currency),
                Err(rejection) => Err(rejection.clone()),
            })
            .collect();
        let outcomes = item_rows::write(tx, prepared, &who).await?;
        let rows: Vec<(ItemId, &Checked)> = outcomes
            .iter()
            .zip(&checked)
            .filter_map(|(outcome, checked)| match (outcome, checked) {
                (RowOutcome::Added(added), Ok(checked)) => Some((added.id, checked)),
                _ => None,
            })
            .collect();
        write_work(tx, &rows, &who).await?;
        for ((piece, outcome), checked) in self.pieces.iter().zip(&outcomes).zip(&checked) {
            if let (RowOutcome::Added(added), Ok(checked)) = (outcome, checked) {
                note_price(tx, &who, added, piece.by_rule(&styles), &checked.reason).await?;
            }
        }
        let outcome = |(outcome, piece): (RowOutcome, &NewPiece)| match outcome {
            RowOutcome::Added(item) => Ok(PieceOutcome::Finished(Box::new(piece.finished(item, &styles)?))),
            RowOutcome::Refused(rejection) => Ok(PieceOutcome::Refused(rejection)),
            // A piece has no code of its own, so it is never a known item.
            other => Err(StorageError::impossible(format!("a finished piece came out as {other:?}")).into()),
        };
        outcomes.into_iter().zip(&self.pieces).map(outcome).collect()
    }
}

/// Records a price override in the activity log: from what the rule says to what it became.
async fn note_price(
    tx: &mut Tx,
    who: &str,
    added: &AddedItem,
    by_rule: Option<Calculation>,
    reason: &str,
) -> Result<(), CommandError> {
    let Some(by_rule) = by_rule else { return Ok(()) };
    let how = format!("price override: {reason}");
    activity_log::note_price(tx, who, &added.sku, (by_rule.price, added.price.price()), &how).await
}

impl FinishPieces {
    async fn known_photographs(&self, tx: &mut Tx) -> Result<HashSet<PictureName>, CommandError> {
        let names: HashSet<&PictureName> = self.pieces.iter().flat_map(|p| &p.photographs).collect();
        let names: Vec<PictureName> = names.into_iter().cloned().collect();
        if names.is_empty() {
            return Ok(HashSet::new());
        }
        Ok(photographs::find(tx.db(), &names).await?.into_keys().collect())
    }
}

/// A piece whose own values are right, as far as they do not belong to an item.
struct Checked {
    item: NewItem,
    rows: Option<i64>,
    minutes: Option<i64>,
    note: String,
    reason: String,
}

impl NewPiece {
    fn checked(
        &self,
        styles: &HashMap<String, StyleView>,
        known: &HashSet<PictureName>,
    ) -> Result<Checked, Rejection> {
        let reason = text::short(&self.price_reason).named("reason")?;
        if self.pricing.price.is_some() && self.pricing.style.is_some() && reason.is_empty() {
            return Err(Rejection::invalid("reason", ShelfReason::NoOverrideReason));
        }
        for (field, amount) in [("rows", self.rows), ("minutes", self.minutes)] {
            if amount.is_some_and(|a| !(1..=MAX_WORK).contains(&a)) {
                return Err(Rejection::invalid(field, ShelfReason::WorkOutOfRange { limit: MAX_WORK }));
            }
        }
        if self.photographs.len() > MAX_PHOTOGRAPHS {
            let reason = ShelfReason::TooManyPhotographs { limit: MAX_PHOTOGRAPHS };
            return Err(Rejection::invalid("photographs", reason));
        }
        if self.photographs.iter().any(|name| !known.contains(name)) {
            return Err(Rejection::invalid("photographs", ShelfReason::PhotographMissing));
        }
        let note = text::note(&self.note).named("note")?;
        let item = self.item(self.named(styles));
        Ok(Checked { item, rows: self.rows, minutes: self.minutes, note, reason })
    }

    /// Its name, or one made from what is known: `Ridge beanie, fawn, M`.
    fn named(&self, styles: &HashMap<String, StyleView>) -> String {
        if !self.text.name.trim().is_empty() {
            return self.text.name.clone();
        }
        item_name::made_of(self.style(styles).map_or("", |style| style.name.as_str()), &self.text)
    }

    fn style<'a>(&self, styles: &'a HashMap<String, StyleView>) -> Option<&'a StyleView> {
        styles.get(&text::fold(self.pricing.style.as_deref()?.trim()))
    }

    fn item(&self, name: String) -> NewItem {
        let images = self.photographs.iter().map(PictureName::file).collect();
        NewItem {
            text: ItemText { name, images, ..self.text.clone() },
            sku: None,
            gtin: None,
            pricing: self.pricing.clone(),
            stock: ItemStock::of(ItemKind::Piece),
        }
    }

    fn by_rule(&self, styles: &HashMap<String, StyleView>) -> Option<Calculation> {
        self.style(styles)?.rule.price(self.pricing.weight?, self.pricing.extras).ok()
    }

    fn finished(
        &self,
        item: AddedItem,
        styles: &HashMap<String, StyleView>,
    ) -> Result<Finished, CommandError> {
        let margin = margin(item.price.price(), self.pricing.cost).field("cost")?;
        Ok(Finished { by_rule: self.by_rule(styles), margin, item })
    }

    /// What it would cost, as far as is known by now.
    fn priced(&self, styles: &HashMap<String, StyleView>, currency: Currency) -> Result<Priced, Rejection> {
        own_amounts(&self.pricing, currency)?;
        let style = self.style(styles);
        if let (Some(name), None) = (&self.pricing.style, style) {
            let reason = ShelfReason::UnknownStyle { name: name.clone() };
            return Err(Rejection::invalid("style", reason));
        }
        let price = price_of(&self.pricing, Measure::Units, style.map(|style| &style.rule))?;
        let margin = margin(price.price(), self.pricing.cost).named("cost")?;
        Ok(Priced { by_rule: self.by_rule(styles), price, margin, usual: None })
    }
}

async fn write_work(tx: &mut Tx, rows: &[(ItemId, &Checked)], who: &str) -> Result<(), CommandError> {
    let now = tx.now().millis();
    insert_rows(tx.db(), &tables::PIECE_WORK, rows, |statement, (id, piece)| {
        statement
            .bind(id.raw())
            .bind(piece.rows)
            .bind(piece.minutes)
            .bind(piece.note.clone())
            .bind(piece.reason.clone())
            .bind(who.to_owned())
            .bind(now)
    })
    .await?;
    Ok(())
}

/// The work in a piece, as its maker entered it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PieceWork {
    /// Rows knitted or woven.
    pub rows: Option<i64>,
    /// Minutes of work.
    pub minutes: Option<i64>,
    /// The maker's own note.
    pub note: String,
    /// Why its price is not the rule's; empty if it is.
    pub price_reason: String,
    /// The maker.
    pub who: String,
}

impl Ledger {
    /// What a piece would cost, as far as is known by now, and whether its weight is usual.
    pub async fn price_piece(&self, piece: &NewPiece) -> Result<Priced, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let styles = styles::by_folded_name(&mut connection, currency).await?;
        let priced = piece.priced(&styles, currency)?;
        let usual = match piece.style(&styles) {
            Some(style) => usual_weights::of_style(&mut connection, style.id).await?,
            None => None,
        };
        Ok(Priced { usual, ..priced })
    }

    /// The work in a piece; none if it was not finished at the Workbench.
    pub async fn piece_work(&self, item: ItemId) -> Result<Option<PieceWork>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT rows_made, minutes, note, price_reason, who FROM piece_work WHERE item_id = $1",
        )
        .bind(item.raw())
        .fetch_optional(&mut *connection)
        .await?;
        row.map(|row| {
            Ok(PieceWork {
                rows: row.try_get("rows_made")?,
                minutes: row.try_get("minutes")?,
                note: row.try_get("note")?,
                price_reason: row.try_get("price_reason")?,
                who: row.try_get("who")?,
            })
        })
        .transpose()
        .map_err(|error: sqlx::Error| error.into())
    }
}
