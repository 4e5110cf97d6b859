//! What the Online pages store: layouts, templates of listing texts, failed feeds. And what they show:
//! what is not listed yet, what is, and what was.

use crate::shelf::item_view;
use crate::shelf::items::ItemView;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Edited, OnlineReason, Rejection, Thing};
use async_trait::async_trait;
use domain::day::Moment;
use domain::ids::{ConnectionId, ItemId, TroubleId};
use domain::masked::masked;
use domain::text::{self, TextError};
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Row};

/// The longest layout or template, in characters; a real one has a tenth of it.
pub const MAX_KEPT_CHARS: usize = 20_000;
/// The most layouts. Our own bound.
const MAX_LAYOUTS: i64 = 200;
/// How long a failure that somebody has seen is kept: a season.
const SEEN_KEPT_MS: i64 = 90 * 24 * 60 * 60 * 1000;
/// How many failures that nobody has seen are kept: whoever missed this many learns nothing more from
/// the first ones.
const UNSEEN_KEPT: i64 = 1000;
/// Items with a waiting message that are read for one page.
const LOOKED_AT: i64 = 500;

/// A layout that is stored in the shop.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct KeptLayout {
    /// Its name.
    pub name: String,
    /// The TOML text.
    pub text: String,
    /// Counts its changes.
    pub revision: i64,
    /// Who changed it last.
    pub who: String,
    /// When.
    pub changed: Moment,
}

/// Stores a layout in place of one with the same name. `feeds` decides whether it can be used.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeepLayout {
    /// Its name.
    pub name: String,
    /// The TOML text.
    pub text: String,
    /// The revision that the writer read; 0 for a new one.
    pub revision: i64,
    /// For the activity log.
    pub who: String,
}

fn kept_text(field: &str, given: &str) -> Result<String, Rejection> {
    if given.chars().count() > MAX_KEPT_CHARS {
        let reason = TextError::TooLong { limit: MAX_KEPT_CHARS };
        return Err(Rejection::invalid(field, reason));
    }
    if let Some(odd) = given.chars().find(|c| c.is_control() && !['\n', '\r', '\t'].contains(c)) {
        let reason = TextError::NotPrintable { code: u32::from(odd) };
        return Err(Rejection::invalid(field, reason));
    }
    Ok(given.replace("\r\n", "\n"))
}

#[async_trait]
impl Command for KeepLayout {
    /// The new revision.
    type Answer = i64;

    async fn run(&self, tx: &mut Tx) -> Result<i64, CommandError> {
        let name = text::name(&self.name).field("name")?;
        let kept = kept_text("text", &self.text)?;
        let who = text::short(&self.who).field("who")?;
        let now = tx.now().millis();
        let row = sqlx::query(
            "INSERT INTO layout (name, text, revision, who, changed_ms) VALUES ($1, $2, 1, $3, $4) \
             ON CONFLICT (name) DO UPDATE SET text = excluded.text, revision = layout.revision + 1, \
             who = excluded.who, changed_ms = excluded.changed_ms RETURNING revision",
        )
        .bind(name.clone())
        .bind(kept)
        .bind(who)
        .bind(now)
        .fetch_one(tx.db())
        .await?;
        let revision: i64 = row.try_get("revision")?;
        if revision - 1 != self.revision {
            let what = Edited::Layout { name };
            return Err(Rejection::Stale { what, expected: self.revision, current: revision - 1 }.into());
        }
        let count =
            sqlx::query("SELECT CAST(COUNT(*) AS BIGINT) AS count FROM layout").fetch_one(tx.db()).await?;
        if count.try_get::<i64, _>("count")? > MAX_LAYOUTS {
            let reason = OnlineReason::TooManyLayouts { limit: MAX_LAYOUTS };
            return Err(Rejection::invalid("name", reason).into());
        }
        Ok(revision)
    }
}

/// Deletes a layout.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct DropLayout {
    /// Its name.
    pub name: String,
}

#[async_trait]
impl Command for DropLayout {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let done = sqlx::query("DELETE FROM layout WHERE name = $1")
            .bind(self.name.clone())
            .execute(tx.db())
            .await?;
        if done.rows_affected() == 0 {
            return Err(Rejection::no_such(Thing::Layout, &self.name).into());
        }
        Ok(())
    }
}

/// Stores the template of listing texts.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct KeepListingText {
    /// Which of the templates.
    pub name: String,
    /// The template.
    pub text: String,
    /// For the activity log.
    pub who: String,
}

#[async_trait]
impl Command for KeepListingText {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        let name = text::name(&self.name).field("name")?;
        let kept = kept_text("template", &self.text)?;
        let who = text::short(&self.who).field("who")?;
        sqlx::query(
            "INSERT INTO listing_text (name, text, who, changed_ms) VALUES ($1, $2, $3, $4) ON CONFLICT (name) \
             DO UPDATE SET text = excluded.text, who = excluded.who, changed_ms = excluded.changed_ms",
        )
        .bind(name)
        .bind(kept)
        .bind(who)
        .bind(tx.now().millis())
        .execute(tx.db())
        .await?;
        Ok(())
    }
}

/// A feed that failed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct FeedFailed {
    /// Its identifier.
    pub id: TroubleId,
    /// When.
    pub at: Moment,
    /// The file's name, or what stands for one.
    pub file: String,
    /// What went wrong.
    pub words: String,
    /// Whether somebody has seen it.
    pub seen: bool,
}

/// Records that a feed failed, so that Today can show it.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct NoteFeedTrouble {
    /// The file.
    pub file: String,
    /// What went wrong.
    pub words: String,
}

/// Words from elsewhere are shortened and cleaned, not rejected: a failure must always be reported.
pub(crate) fn cut(text: &str, most: usize) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).take(most).collect()
}

/// The same for words that may repeat free text: card numbers are removed.
pub(crate) fn told(text: &str, most: usize) -> String {
    cut(&masked(text), most)
}

#[async_trait]
impl Command for NoteFeedTrouble {
    type Answer = TroubleId;

    async fn run(&self, tx: &mut Tx) -> Result<TroubleId, CommandError> {
        let id = tx.next_id()?;
        let now = tx.now().millis();
        sqlx::query("INSERT INTO feed_problem (id, at_ms, file, message, seen) VALUES ($1, $2, $3, $4, 0)")
            .bind(id)
            .bind(now)
            .bind(cut(&self.file, text::MAX_NAME_CHARS))
            .bind(told(&self.words, text::MAX_NOTE_CHARS))
            .execute(tx.db())
            .await?;
        sqlx::query(
            "DELETE FROM feed_problem WHERE (seen = 1 AND at_ms < $1) OR (seen = 0 AND id < (SELECT MIN(id) FROM \
             (SELECT id FROM feed_problem WHERE seen = 0 ORDER BY id DESC LIMIT $2) AS latest))",
        )
        .bind(now - SEEN_KEPT_MS)
        .bind(UNSEEN_KEPT)
        .execute(tx.db())
        .await?;
        Ok(TroubleId::from_raw(id))
    }
}

/// Records that somebody has seen a failure and all earlier ones.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SeeFeedTroubles {
    /// The latest one that they saw.
    pub up_to: TroubleId,
}

#[async_trait]
impl Command for SeeFeedTroubles {
    /// How many were new.
    type Answer = u64;

    async fn run(&self, tx: &mut Tx) -> Result<u64, CommandError> {
        let done = sqlx::query("UPDATE feed_problem SET seen = 1 WHERE seen = 0 AND id <= $1")
            .bind(self.up_to.raw())
            .execute(tx.db())
            .await?;
        Ok(done.rows_affected())
    }
}

impl Ledger {
    /// All layouts, by name.
    pub async fn layouts(&self) -> Result<Vec<KeptLayout>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query("SELECT name, text, revision, who, changed_ms FROM layout")
            .fetch_all(&mut *connection)
            .await?;
        let mut layouts = rows.iter().map(layout).collect::<Result<Vec<_>, _>>()?;
        layouts.sort_by_cached_key(|l| text::fold(&l.name));
        Ok(layouts)
    }

    /// A layout that is kept.
    pub async fn layout(&self, name: &str) -> Result<KeptLayout, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT name, text, revision, who, changed_ms FROM layout WHERE name = $1")
            .bind(name.to_owned())
            .fetch_optional(&mut *connection)
            .await?
            .ok_or_else(|| Rejection::no_such(Thing::Layout, name))?;
        layout(&row)
    }

    /// The template with this name; none if nobody has written one.
    pub async fn listing_text(&self, name: &str) -> Result<Option<String>, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT text FROM listing_text WHERE name = $1")
            .bind(name.to_owned())
            .fetch_optional(&mut *connection)
            .await?;
        row.map(|row| Ok(row.try_get("text")?)).transpose()
    }

    /// Failed feeds, latest first, at most `limit`; optionally only those that nobody has seen.
    pub async fn feed_troubles(&self, unseen: bool, limit: usize) -> Result<Vec<FeedFailed>, CommandError> {
        let which = if unseen { "WHERE seen = 0" } else { "" };
        let text = format!(
            "SELECT id, at_ms, file, message, seen FROM feed_problem {which} ORDER BY id DESC LIMIT $1"
        );
        let mut connection = self.reader().await?;
        let rows = sqlx::query(AssertSqlSafe(text))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let failed = |row: &AnyRow| {
            Ok(FeedFailed {
                id: TroubleId::from_raw(row.try_get("id")?),
                at: Moment::from_millis(row.try_get("at_ms")?),
                file: row.try_get("file")?,
                words: row.try_get("message")?,
                seen: row.try_get::<i64, _>("seen")? == 1,
            })
        };
        rows.iter().map(failed).collect()
    }

    /// Items that could be listed and that no online shop offers, latest first, before `before` if given, at
    /// most `limit`. Each waits for the feed.
    pub async fn unlisted(
        &self,
        feed: ConnectionId,
        before: Option<ItemId>,
        limit: usize,
    ) -> Result<Vec<ItemView>, CommandError> {
        let nobody = "NOT EXISTS (SELECT 1 FROM online_offer o WHERE o.item_id = i.id)";
        self.waiting_items(feed, nobody, before, limit).await
    }

    /// Items that could be listed and that the online shop of this connection does not offer, whoever else
    /// does.
    pub async fn unsent(
        &self,
        on: ConnectionId,
        before: Option<ItemId>,
        limit: usize,
    ) -> Result<Vec<ItemView>, CommandError> {
        let not_it =
            "NOT EXISTS (SELECT 1 FROM online_offer o WHERE o.item_id = i.id AND o.connection_id = $1)";
        self.waiting_items(on, not_it, before, limit).await
    }

    /// Items with a waiting message, by which they are found: there are few of those, however many items
    /// there are.
    async fn waiting_items(
        &self,
        on: ConnectionId,
        which: &str,
        before: Option<ItemId>,
        limit: usize,
    ) -> Result<Vec<ItemView>, CommandError> {
        let currency = self.shop().currency;
        let text = format!(
            "{} WHERE i.id IN (SELECT DISTINCT item_id FROM outbox WHERE connection_id = $1 \
             AND item_id < $2 ORDER BY item_id DESC LIMIT $3) AND i.do_not_list = 0 AND i.on_hand > i.held \
             AND {which} ORDER BY i.id DESC LIMIT $4",
            *item_view::COLUMNS
        );
        let mut connection = self.reader().await?;
        let mut below = before.map_or(i64::MAX, ItemId::raw);
        let mut found = Vec::new();
        while found.len() < limit {
            let rows = sqlx::query(AssertSqlSafe(text.clone()))
                .bind(on.raw())
                .bind(below)
                .bind(LOOKED_AT)
                .bind(i64::try_from(limit - found.len()).unwrap_or(i64::MAX))
                .fetch_all(&mut *connection)
                .await?;
            for row in &rows {
                found.push(item_view::read(row, currency)?);
            }
            if found.len() == limit {
                break;
            }
            let last = sqlx::query(
                "SELECT MIN(item_id) AS first_item FROM (SELECT DISTINCT item_id FROM outbox WHERE connection_id = $1 \
                 AND item_id < $2 ORDER BY item_id DESC LIMIT $3) AS looked",
            )
            .bind(on.raw())
            .bind(below)
            .bind(LOOKED_AT)
            .fetch_one(&mut *connection)
            .await?;
            match last.try_get::<Option<i64>, _>("first_item")? {
                Some(last) => below = last,
                None => break,
            }
        }
        Ok(found)
    }

    /// How many items have a waiting message, counted up to `limit`, so that it costs a large shop no more.
    pub async fn waiting_count(&self, on: ConnectionId, limit: usize) -> Result<usize, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS waiting FROM (SELECT DISTINCT item_id FROM outbox \
             WHERE connection_id = $1 LIMIT $2) AS w",
        )
        .bind(on.raw())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_one(&mut *connection)
        .await?;
        Ok(usize::try_from(row.try_get::<i64, _>("waiting")?).unwrap_or(usize::MAX))
    }
}

fn layout(row: &AnyRow) -> Result<KeptLayout, CommandError> {
    Ok(KeptLayout {
        name: row.try_get("name")?,
        text: row.try_get("text")?,
        revision: row.try_get("revision")?,
        who: row.try_get("who")?,
        changed: Moment::from_millis(row.try_get("changed_ms")?),
    })
}
