//! Writes the descriptions of many items at once: the texts of their listings.

use super::lookup::{self, Found};
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::idempotency_key::hex_hash;
use crate::store::rejection::{Rejection, ShelfReason};
use async_trait::async_trait;
use domain::codes::Code;
use domain::ids::ItemId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// The most texts in one transaction.
pub const MAX_TEXTS_AT_ONCE: usize = 500;

/// A listing's text for one item.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct NewText {
    /// Which item.
    pub code: Code,
    /// The mark of the text that the writer saw, see [`text_mark`].
    pub was: String,
    /// The new text.
    pub description: String,
}

/// A hash that shows whether somebody else changed the text in the meantime. Other changes of an item,
/// such as its stock, do not matter.
pub fn text_mark(text: &str) -> String {
    hex_hash(text.as_bytes())
}

/// Writes the listing texts of many items, all or none.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct WriteTexts {
    /// The texts.
    pub texts: Vec<NewText>,
}

#[async_trait]
impl Command for WriteTexts {
    /// How many were written.
    type Answer = usize;

    fn is_long(&self) -> bool {
        self.texts.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<usize, CommandError> {
        if self.texts.is_empty() || self.texts.len() > MAX_TEXTS_AT_ONCE {
            let reason = ShelfReason::TextCount { limit: MAX_TEXTS_AT_ONCE };
            return Err(Rejection::invalid("texts", reason).into());
        }
        let codes: Vec<Code> = self.texts.iter().map(|t| t.code.clone()).collect();
        let found = lookup::find_all(tx, &codes).await?;
        let mut by_item: Vec<_> = found.iter().zip(&self.texts).collect();
        by_item.sort_by_key(|(item, _)| item.id);
        for (item, new) in &by_item {
            let words = text::note(&new.description).field(&item.sku)?;
            write_text(tx, item, &new.was, words).await?;
        }
        let items: Vec<ItemId> = by_item.iter().map(|(item, _)| item.id).collect();
        tx.availability_changed(&items).await?;
        Ok(items.len())
    }
}

async fn write_text(tx: &mut Tx, item: &Found, was: &str, words: String) -> Result<(), CommandError> {
    // Locks the row, so that the text that is compared is the one that is replaced.
    let row = sqlx::query("UPDATE item SET revision = revision + 1 WHERE id = $1 RETURNING description")
        .bind(item.id.raw())
        .fetch_one(tx.db())
        .await?;
    if text_mark(&row.try_get::<String, _>("description")?) != was {
        let reason = ShelfReason::TextChanged { title: item.title.clone() };
        return Err(Rejection::invalid(&item.sku, reason).into());
    }
    sqlx::query("UPDATE item SET description = $2 WHERE id = $1")
        .bind(item.id.raw())
        .bind(words)
        .execute(tx.db())
        .await?;
    Ok(())
}
