//! Edits the texts of a style. Its rule only changes together with prices, so that none is left behind
//! unseen.

use crate::shelf::styles::{self, StyleView};
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShelfReason};
use async_trait::async_trait;
use domain::ids::StyleId;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::Row;

/// Changes a style's texts; `None` leaves a text as it is.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct EditStyle {
    /// Which.
    pub style: StyleId,
    /// The revision that the caller read.
    pub revision: i64,
    /// No other style may have it.
    pub name: Option<String>,
    /// In the order in which they are shown.
    pub sizes: Option<Vec<String>>,
    /// May be empty.
    pub category: Option<String>,
    /// For the tags of its pieces, which are out of date once it changes; may be empty.
    #[serde(default)]
    pub care: Option<String>,
}

#[async_trait]
impl Command for EditStyle {
    /// The new revision.
    type Answer = i64;

    fn is_long(&self) -> bool {
        true
    }

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let name = self.name.as_deref().map(text::name).transpose().field("name")?;
        let sizes = self.sizes.as_deref().map(styles::checked_sizes).transpose()?;
        let category = self.category.as_deref().map(text::short).transpose().field("category")?;
        let care = self.care.as_deref().map(text::short).transpose().field("care")?;
        if let Some(name) = &name {
            self.refuse_taken(tx, name).await?;
        }
        let row = sqlx::query(
            "UPDATE style SET name = COALESCE($3, name), folded = COALESCE($4, folded), sizes = COALESCE($5, sizes), \
             category = COALESCE($6, category), care = COALESCE($7, care), revision = revision + 1 WHERE id = $1 AND revision = $2 \
             RETURNING revision",
        )
        .bind(self.style.raw())
        .bind(self.revision)
        .bind(name.clone())
        .bind(name.as_deref().map(text::fold))
        .bind(sizes.map(|s| s.join("|")))
        .bind(category)
        .bind(care)
        .fetch_optional(tx.db())
        .await?;
        match row {
            Some(row) => Ok(row.try_get("revision")?),
            None => Err(styles::not_that(tx, self.style, self.revision).await?.into()),
        }
    }
}

impl EditStyle {
    async fn refuse_taken(&self, tx: &mut Tx, name: &str) -> Result<(), CommandError> {
        let row = sqlx::query("SELECT name FROM style WHERE folded = $1 AND id <> $2")
            .bind(text::fold(name))
            .bind(self.style.raw())
            .fetch_optional(tx.db())
            .await?;
        match row {
            None => Ok(()),
            Some(row) => {
                Err(Rejection::invalid("name", ShelfReason::StyleExists { name: row.try_get("name")? })
                    .into())
            }
        }
    }
}

impl Ledger {
    /// One style.
    pub async fn style(&self, id: StyleId) -> Result<StyleView, CommandError> {
        let mut connection = self.reader().await?;
        styles::read_one(&mut connection, id, self.shop().currency).await
    }
}
