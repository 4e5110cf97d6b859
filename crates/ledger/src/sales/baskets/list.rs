//! Open sales in a list, named by what is in them.

use super::content::Content;
use super::customers::names;
use super::view::{items, read_line, sum};
use crate::store::Ledger;
use crate::store::error::CommandError;
use domain::day::Moment;
use domain::ids::BasketId;
use domain::money::Money;
use sqlx::Row;
use sqlx::any::AnyRow;
use std::collections::HashMap;

/// An open sale in a list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct BasketSummary {
    /// Its identifier.
    pub id: BasketId,
    /// Who started it.
    pub who: String,
    /// When it was begun.
    pub made: Moment,
    /// When it was last changed.
    pub changed: Moment,
    /// The name of the first thing in it, or of the first that is brought back; none if it is empty.
    pub first: Option<String>,
    /// How many lines it has.
    pub lines: usize,
    /// How many lines are brought back; none if it is no exchange.
    pub returned: usize,
    /// What its lines come to before cash rounding.
    pub due: Money,
    /// The customer; may be empty.
    pub customer: String,
    /// Whether it is being paid.
    pub paying: bool,
}

impl Ledger {
    /// Open sales, the last changed first, at most `limit`.
    pub async fn open_baskets(&self, limit: usize) -> Result<Vec<BasketSummary>, CommandError> {
        self.baskets_left(Moment::from_millis(i64::MAX), limit).await
    }

    /// Open sales that nobody has touched since `before`, the last changed first, at most `limit`.
    pub async fn baskets_left(
        &self,
        before: Moment,
        limit: usize,
    ) -> Result<Vec<BasketSummary>, CommandError> {
        let mut connection = self.reader().await?;
        let currency = self.shop().currency;
        let rows = sqlx::query(
            "SELECT id, who, made_ms, changed_ms, content FROM basket WHERE state = 'open' AND changed_ms < $1 \
             ORDER BY changed_ms DESC, id DESC LIMIT $2",
        )
        .bind(before.millis())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let content = |row: &AnyRow| Content::read(&row.try_get::<String, _>("content")?);
        let contents = rows.iter().map(content).collect::<Result<Vec<Content>, CommandError>>()?;
        let names = names(&mut connection, &contents).await?;
        let mut summaries = Vec::with_capacity(rows.len());
        for (row, content) in rows.iter().zip(contents) {
            let items = items(&mut connection, &content, currency).await?;
            let line = |line| read_line(line, &items, &HashMap::new(), currency);
            let lines = content.lines.iter().map(line).collect::<Result<Vec<_>, _>>()?;
            let (_, due) = sum(&content, &lines, currency)?;
            let back = content.returns.map(|returns| returns.shown).unwrap_or_default();
            let first = lines.first().map(|line| &line.title).or(back.first().map(|line| &line.title));
            let customer = content.customer.and_then(|id| names.get(&id).cloned());
            summaries.push(BasketSummary {
                id: BasketId::from_raw(row.try_get("id")?),
                who: row.try_get("who")?,
                made: Moment::from_millis(row.try_get("made_ms")?),
                changed: Moment::from_millis(row.try_get("changed_ms")?),
                first: first.cloned(),
                lines: lines.len(),
                returned: back.len(),
                due,
                customer: customer.unwrap_or_default(),
                paying: content.paying,
            });
        }
        Ok(summaries)
    }
}
