//! Styles: kinds of pieces with their weight rates.

use crate::people::activity_log::{self, Activity};
use crate::shelf::items::RowOutcome;
use crate::store::Ledger;
use crate::store::command::{Command, FEW_ROWS, Tx};
use crate::store::error::{CommandError, Naming, Stored};
use crate::store::rejection::{Edited, Rejection, ShelfReason, Thing};
use crate::store::sql::Statement;
use async_trait::async_trait;
use domain::ids::StyleId;
use domain::item::NewStyle;
use domain::money::{Currency, Money};
use domain::pricing::{PriceEnding, PriceRule, WeightRate};
use domain::text;
use domain::weight::WeightUnit;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;

/// A style as it is now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct StyleView {
    /// Its identifier.
    pub id: StyleId,
    /// Its name.
    pub name: String,
    /// How its pieces are priced.
    pub rule: PriceRule,
    /// In the order in which they are shown.
    pub sizes: Vec<String>,
    /// May be empty.
    pub category: String,
    /// How its pieces are washed and dried, for their tags; may be empty.
    pub care: String,
    /// Counts its changes.
    pub revision: i64,
}

/// Adds styles, or updates known ones; prices of items stay as they are.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AddStyles {
    /// The styles.
    pub styles: Vec<NewStyle>,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for AddStyles {
    /// One outcome per style, in the same order.
    type Answer = Vec<RowOutcome>;

    fn is_long(&self) -> bool {
        self.styles.len() > FEW_ROWS
    }

    async fn run(&self, tx: &mut Tx) -> Result<Vec<RowOutcome>, CommandError> {
        let who = text::short(&self.who).field("who")?;
        let currency = tx.shop().currency;
        let known = by_folded_name(tx.db(), currency).await?;
        let mut outcomes = Vec::with_capacity(self.styles.len());
        for style in &self.styles {
            match checked(style, currency) {
                Ok(style) => {
                    outcomes.push(add(tx, &style).await?);
                    note_rate(tx, &who, known.get(&text::fold(&style.name)), &style).await?;
                }
                Err(rejection) => outcomes.push(RowOutcome::Refused(rejection)),
            }
        }
        // The currency of the rates is still the shop's.
        tx.lock_shop_state(0).await?;
        Ok(outcomes)
    }
}

/// Adds one style, as a person does: a style that is known stays as it is, with its prices.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct AddStyle {
    /// The style.
    pub style: NewStyle,
}

#[async_trait]
impl Command for AddStyle {
    /// The new style.
    type Answer = StyleId;

    async fn run(&self, tx: &mut Tx) -> Result<StyleId, CommandError> {
        let style = checked(&self.style, tx.shop().currency)?;
        let id = tx.next_id()?;
        let text = format!("{INSERT} ON CONFLICT (folded) DO NOTHING");
        let added = bound(sqlx::query(AssertSqlSafe(text)), id, &style, tx.now().millis());
        if added.execute(tx.db()).await?.rows_affected() == 0 {
            let row = sqlx::query("SELECT name FROM style WHERE folded = $1")
                .bind(text::fold(&style.name))
                .fetch_one(tx.db())
                .await?;
            let reason = ShelfReason::StyleExists { name: row.try_get("name")? };
            return Err(Rejection::invalid("style", reason).into());
        }
        // The currency of the rate is still the shop's.
        tx.lock_shop_state(0).await?;
        Ok(StyleId::from_raw(id))
    }
}

/// An entry in the activity log, if a known style has another price rule from now on.
async fn note_rate(
    tx: &mut Tx,
    who: &str,
    known: Option<&StyleView>,
    new: &NewStyle,
) -> Result<(), CommandError> {
    match known {
        Some(known) if known.rule != new.rule => {
            let currency = tx.shop().currency;
            let words = |rule| rule_words(rule, currency);
            let detail = format!("{} → {}", words(&known.rule), words(&new.rule));
            activity_log::note(tx, who, Activity::Rate, &new.name, &detail).await
        }
        _ => Ok(()),
    }
}

/// A price rule in words: `$7.50 an ounce, rounded to the nearest $1, minimum $20.00`.
pub(crate) fn rule_words(rule: &PriceRule, currency: Currency) -> String {
    let minimum = rule.minimum.map(|m| format!(", minimum {}", m.shown())).unwrap_or_default();
    format!("{}, rounded {}{minimum}", rule.rate.words(currency), rule.ending.words(currency))
}

fn checked(style: &NewStyle, currency: Currency) -> Result<NewStyle, Rejection> {
    if let Some(minimum) = style.rule.minimum {
        crate::store::settings::own_money("minimum", minimum, currency)?;
    }
    let sizes = checked_sizes(&style.sizes)?;
    Ok(NewStyle {
        name: text::name(&style.name).named("style")?,
        rule: style.rule,
        sizes,
        category: text::short(&style.category).named("category")?,
        care: text::short(&style.care).named("care")?,
    })
}

/// Checks sizes; each is a name.
pub(crate) fn checked_sizes(sizes: &[String]) -> Result<Vec<String>, Rejection> {
    if sizes.iter().any(|s| s.contains('|')) {
        return Err(Rejection::invalid("sizes", ShelfReason::SizeHoldsBar));
    }
    sizes.iter().map(|s| text::name(s).named("sizes")).collect()
}

const INSERT: &str = "INSERT INTO style \
    (id, name, folded, rate, rate_unit, ending, minimum, sizes, category, care, revision, made_ms) \
    VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, 1, $11)";

/// Binds what [`INSERT`] writes.
fn bound<'q>(statement: Statement<'q>, id: i64, style: &NewStyle, now: i64) -> Statement<'q> {
    statement
        .bind(id)
        .bind(style.name.clone())
        .bind(text::fold(&style.name))
        .bind(style.rule.rate.millionths())
        .bind(style.rule.rate.unit().code().to_owned())
        .bind(style.rule.ending.to_string())
        .bind(style.rule.minimum.map(Money::minor))
        .bind(style.sizes.join("|"))
        .bind(style.category.clone())
        .bind(style.care.clone())
        .bind(now)
}

async fn add(tx: &mut Tx, style: &NewStyle) -> Result<RowOutcome, CommandError> {
    let id = tx.next_id()?;
    let text = format!(
        "{INSERT} ON CONFLICT (folded) DO UPDATE SET rate = excluded.rate, rate_unit = excluded.rate_unit, \
         ending = excluded.ending, minimum = excluded.minimum, sizes = excluded.sizes, category = excluded.category, \
         care = excluded.care, \
         revision = style.revision + 1 RETURNING id"
    );
    let statement = bound(sqlx::query(AssertSqlSafe(text)), id, style, tx.now().millis());
    let row = statement.fetch_one(tx.db()).await?;
    let name = style.name.clone();
    Ok(if row.try_get::<i64, _>("id")? == id {
        RowOutcome::AddedStyle { name }
    } else {
        RowOutcome::Updated { sku: name }
    })
}

pub(crate) const COLUMNS: &str =
    "SELECT id, name, rate, rate_unit, ending, minimum, sizes, category, care, revision FROM style";

fn read(row: &AnyRow, currency: Currency) -> Result<StyleView, CommandError> {
    let sizes: String = row.try_get("sizes")?;
    Ok(StyleView {
        id: StyleId::from_raw(row.try_get("id")?),
        name: row.try_get("name")?,
        rule: rule(row, currency)?,
        sizes: sizes.split('|').filter(|s| !s.is_empty()).map(str::to_owned).collect(),
        category: row.try_get("category")?,
        care: row.try_get("care")?,
        revision: row.try_get("revision")?,
    })
}

/// A price rule from columns `rate`, `rate_unit`, `ending` and `minimum`.
pub(crate) fn rule(row: &AnyRow, currency: Currency) -> Result<PriceRule, CommandError> {
    let unit = WeightUnit::from_code(&row.try_get::<String, _>("rate_unit")?).stored("style.rate_unit")?;
    let minimum: Option<i64> = row.try_get("minimum")?;
    Ok(PriceRule {
        rate: WeightRate::from_millionths(row.try_get("rate")?, unit).stored("style.rate")?,
        ending: PriceEnding::parse(&row.try_get::<String, _>("ending")?, currency).stored("style.ending")?,
        minimum: minimum.map(|m| Money::from_minor(m, currency)).transpose().stored("style.minimum")?,
    })
}

/// One style.
pub(crate) async fn read_one(
    connection: &mut AnyConnection,
    id: StyleId,
    currency: Currency,
) -> Result<StyleView, CommandError> {
    let row = sqlx::query(AssertSqlSafe(format!("{COLUMNS} WHERE id = $1")))
        .bind(id.raw())
        .fetch_optional(connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Style, id))?;
    read(&row, currency)
}

/// Why a style does not have the expected revision.
pub(crate) async fn not_that(tx: &mut Tx, id: StyleId, expected: i64) -> Result<Rejection, CommandError> {
    let currency = tx.shop().currency;
    let style = read_one(tx.db(), id, currency).await?;
    let what = Edited::Style { name: style.name };
    Ok(Rejection::Stale { what, expected, current: style.revision })
}

/// All styles by folded name. There are few: a farm has dozens of styles, not thousands.
pub(crate) async fn by_folded_name(
    connection: &mut AnyConnection,
    currency: Currency,
) -> Result<HashMap<String, StyleView>, CommandError> {
    let rows = sqlx::query(COLUMNS).fetch_all(connection).await?;
    let mut styles = HashMap::with_capacity(rows.len());
    for row in &rows {
        let style = read(row, currency)?;
        styles.insert(text::fold(&style.name), style);
    }
    Ok(styles)
}

impl Ledger {
    /// All styles by name.
    pub async fn styles(&self) -> Result<Vec<StyleView>, CommandError> {
        let mut connection = self.reader().await?;
        let mut styles: Vec<_> =
            by_folded_name(&mut connection, self.shop().currency).await?.into_iter().collect();
        styles.sort_by(|a, b| a.0.cmp(&b.0));
        Ok(styles.into_iter().map(|(_, style)| style).collect())
    }
}
