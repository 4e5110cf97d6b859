//! How many holds whoever makes them may have open.

use super::Purpose;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::limits::{AboveLimit, LimitName};
use sqlx::Row;

/// Baskets that one whose holds are limited may have held at once: more than anybody pays at a time, and few
/// enough that no program holds the whole shelf. Without a basket's hold nothing could be sold.
const MAX_HELD_BASKETS: i64 = 20;

/// Refuses one hold too many. Asked after it was written: whoever does the same at the same moment waits at
/// the books' row, so that both are counted.
pub(crate) async fn allow_another_hold(tx: &mut Tx, purpose: Purpose) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    let Some(who) = tx.actor().map(|actor| actor.who.clone()).filter(|_| limits.counts_holds()) else {
        return Ok(());
    };
    tx.lock_shop_state(0).await?;
    let row = sqlx::query(
        "SELECT CAST(COUNT(DISTINCT group_id) AS BIGINT) FROM hold \
         WHERE held_by = $1 AND state = 'open' AND (until_ms IS NULL OR until_ms > $2) \
         AND (CASE WHEN purpose = 'basket' THEN 1 ELSE 0 END) = $3",
    )
    .bind(who)
    .bind(tx.now().millis())
    .bind(i64::from(purpose == Purpose::Basket))
    .fetch_one(tx.db())
    .await?;
    let open: i64 = row.try_get(0)?;
    match purpose {
        Purpose::Basket if open > MAX_HELD_BASKETS => {
            let (asked, allowed) = (open.to_string(), MAX_HELD_BASKETS.to_string());
            Err(AboveLimit { limit: LimitName::OpenHolds, asked, allowed }.into())
        }
        Purpose::Basket => Ok(()),
        _ => Ok(limits.allow_open_holds(open)?),
    }
}
