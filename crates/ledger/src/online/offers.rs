//! What “listed” means: an online shop is known to offer an item, by feed or by connection. Whoever asks, asks
//! here, or the view `online_offer` that this reads.

use crate::shelf::item_view;
use crate::shelf::items::ItemView;
use crate::store::Ledger;
use crate::store::error::CommandError;
use crate::store::sql::{MAX_ROWS, in_text, padded};
use domain::day::Moment;
use domain::ids::{ConnectionId, ItemId};
use domain::stock::ListingState;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::HashMap;

/// The feed: the connection that every shop has. All others are online shops with an API.
const FEED: i64 = 1;

/// An online shop that is known to offer an item.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Offer {
    /// The connection that it knows the item from.
    pub connection: ConnectionId,
    /// The connection's name; none if the shop reads the feed.
    pub shop: Option<String>,
    /// When it was told last.
    pub told: Moment,
}

/// Who offers an item online.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Offers {
    /// The feed first, then the online shops by name.
    pub by: Vec<Offer>,
    /// Whether it was offered before.
    pub was: bool,
}

impl Offers {
    /// Whether anybody offers it.
    pub fn is_listed(&self) -> bool {
        !self.by.is_empty()
    }

    /// Listed, ended, or none if it was never listed.
    pub fn state(&self) -> Option<ListingState> {
        match (self.is_listed(), self.was) {
            (true, _) => Some(ListingState::Listed),
            (false, true) => Some(ListingState::Ended),
            (false, false) => None,
        }
    }
}

/// Items that should no longer be offered and still are.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct StaleOffers {
    /// How many items, up to a limit.
    pub items: i64,
    /// How many of them the feed's next export removes, up to the same limit.
    pub by_feed: i64,
    /// The connected shops that offer some of them, by name.
    pub shops: Vec<String>,
}

/// How many items are listed, and how many were.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OfferCounts {
    /// Offered by somebody.
    pub listed: usize,
    /// Offered by nobody any more.
    pub ended: usize,
}

const OFFERS: &str =
    "SELECT o.item_id, o.connection_id, o.name, o.told_ms FROM online_offer o WHERE o.item_id";
const WERE: &str = "SELECT DISTINCT item_id FROM listing WHERE item_id";
const ENDED: &str = "SELECT DISTINCT l.item_id FROM listing l WHERE NOT EXISTS \
    (SELECT 1 FROM online_offer o WHERE o.item_id = l.item_id)";
const LISTED: &str = "SELECT DISTINCT l.item_id FROM online_offer l WHERE 1 = 1";

/// What should no longer be offered and still is, and of which a shop has yet to be told.
const STALE: &str = "FROM outbox w \
    JOIN online_offer o ON o.item_id = w.item_id AND o.connection_id = w.connection_id \
    JOIN item i ON i.id = w.item_id WHERE (i.on_hand = 0 OR i.do_not_list = 1)";

impl Ledger {
    /// Who offers these items online. An item that was never listed is missing.
    pub async fn offers(&self, items: &[ItemId]) -> Result<HashMap<ItemId, Offers>, CommandError> {
        let mut connection = self.reader().await?;
        let mut all: HashMap<ItemId, Offers> = HashMap::new();
        for chunk in items.chunks(MAX_ROWS) {
            for row in rows_of(&mut connection, WERE, chunk).await? {
                all.entry(ItemId::from_raw(row.try_get("item_id")?)).or_default().was = true;
            }
            for row in rows_of(&mut connection, OFFERS, chunk).await? {
                let id: i64 = row.try_get("connection_id")?;
                let name: String = row.try_get("name")?;
                all.entry(ItemId::from_raw(row.try_get("item_id")?)).or_default().by.push(Offer {
                    connection: ConnectionId::from_raw(id),
                    shop: (id != FEED).then_some(name),
                    told: Moment::from_millis(row.try_get("told_ms")?),
                });
            }
        }
        for offers in all.values_mut() {
            offers.by.sort_by(|a, b| a.shop.cmp(&b.shop));
        }
        Ok(all)
    }

    /// Items that are listed, or that were, latest first, before `before` if given.
    pub async fn listed(
        &self,
        state: ListingState,
        before: Option<ItemId>,
        limit: usize,
    ) -> Result<Vec<ItemView>, CommandError> {
        let which = which(state);
        let text = format!("{which} AND l.item_id < $1 ORDER BY l.item_id DESC LIMIT $2");
        let mut connection = self.reader().await?;
        let rows = sqlx::query(AssertSqlSafe(text))
            .bind(before.map_or(i64::MAX, ItemId::raw))
            .bind(i64::try_from(limit).unwrap_or(i64::MAX))
            .fetch_all(&mut *connection)
            .await?;
        let ids =
            rows.iter().map(|row| Ok(row.try_get("item_id")?)).collect::<Result<Vec<i64>, CommandError>>()?;
        item_view::read_many(&mut connection, &ids, self.shop().currency).await
    }

    /// How many items are listed and how many were, each counted up to `limit`, so that it costs a large shop
    /// no more.
    pub async fn offer_counts(&self, limit: usize) -> Result<OfferCounts, CommandError> {
        let mut connection = self.reader().await?;
        let mut counts = [0_usize; 2];
        for (count, state) in counts.iter_mut().zip([ListingState::Listed, ListingState::Ended]) {
            let which = which(state);
            let text = format!("SELECT CAST(COUNT(*) AS BIGINT) AS count FROM ({which} LIMIT $1) AS found");
            let row = sqlx::query(AssertSqlSafe(text))
                .bind(i64::try_from(limit).unwrap_or(i64::MAX))
                .fetch_one(&mut *connection)
                .await?;
            *count = usize::try_from(row.try_get::<i64, _>("count")?).unwrap_or(usize::MAX);
        }
        Ok(OfferCounts { listed: counts[0], ended: counts[1] })
    }

    /// Items that should no longer be offered and still are: gone, or not to be listed. What is on hold stays
    /// listed. Only those whose removal waits in the outbox are looked at. Items are counted up to `limit`, each
    /// once however many shops offer it.
    pub async fn stale_offers(&self, limit: usize) -> Result<StaleOffers, CommandError> {
        let mut connection = self.reader().await?;
        let items = count_stale(&mut connection, "", limit).await?;
        let by_feed = count_stale(&mut connection, &format!("AND w.connection_id = {FEED}"), limit).await?;
        let rows = sqlx::query(AssertSqlSafe(format!(
            "SELECT c.name FROM connection c WHERE c.id <> $1 AND EXISTS (SELECT 1 {STALE} AND w.connection_id = c.id)"
        )))
        .bind(FEED)
        .fetch_all(&mut *connection)
        .await?;
        let mut shops = rows.iter().map(|row| row.try_get("name")).collect::<Result<Vec<String>, _>>()?;
        shops.sort();
        Ok(StaleOffers { items, by_feed, shops })
    }

    /// Listed items that changed since the feed was exported last, counted up to `limit`. What is to be removed
    /// is not among them: see [`Ledger::stale_offers`].
    pub async fn unexported_changes(&self, limit: usize) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM (SELECT DISTINCT w.item_id FROM outbox w \
             JOIN online_offer o ON o.item_id = w.item_id AND o.connection_id = w.connection_id \
             JOIN item i ON i.id = w.item_id \
             WHERE w.connection_id = $1 AND i.on_hand > 0 AND i.do_not_list = 0 \
             LIMIT $2) AS found",
        )
        .bind(FEED)
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_one(&mut *connection)
        .await?;
        Ok(row.try_get("count")?)
    }
}

/// The items in a state, as `l`.
fn which(state: ListingState) -> &'static str {
    match state {
        ListingState::Listed => LISTED,
        ListingState::Ended => ENDED,
    }
}

/// Counts stale items up to `limit`.
async fn count_stale(connection: &mut AnyConnection, which: &str, limit: usize) -> Result<i64, CommandError> {
    let text = format!(
        "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM (SELECT DISTINCT w.item_id {STALE} {which} LIMIT $1) AS found"
    );
    let row = sqlx::query(AssertSqlSafe(text))
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_one(connection)
        .await?;
    Ok(row.try_get("count")?)
}

async fn rows_of(
    connection: &mut AnyConnection,
    text: &str,
    items: &[ItemId],
) -> Result<Vec<sqlx::any::AnyRow>, CommandError> {
    let mut statement = sqlx::query(AssertSqlSafe(in_text(text, 1, items.len(), "")));
    for item in padded(items) {
        statement = statement.bind(item.raw());
    }
    Ok(statement.fetch_all(connection).await?)
}
