//! How many open holds somebody may have.

use super::Purpose;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use domain::day::Moment;
use domain::limits::{AboveLimit, LimitName};
use sqlx::Row;

/// How many sales somebody with limited holds may be taking payment for at once: more than anybody
/// does, and few enough that no program can hold the whole stock. Nothing could be sold without such a
/// hold.
const MAX_HELD_BASKETS: i64 = 20;

/// The end of a hold, within the limits of whoever makes it; one without an end gets the longest that is allowed.
pub(super) async fn allow_until(tx: &mut Tx, until: Option<Moment>) -> Result<Option<Moment>, CommandError> {
    let limits = tx.limits().await?;
    match limits.allow_hold(tx.now(), until) {
        Ok(until) => Ok(until),
        Err(above) => tx.within(Err(above)).await.map(|()| until),
    }
}

/// Rejects one hold too many. Checked after it was written: whoever does the same at the same moment
/// waits at the shop's row, so that both are counted.
pub(crate) async fn allow_another_hold(tx: &mut Tx, purpose: Purpose) -> Result<(), CommandError> {
    let limits = tx.limits().await?;
    let Some(who) = tx.actor().map(|actor| actor.who.clone()).filter(|_| limits.counts_holds()) else {
        return Ok(());
    };
    tx.lock_shop_state(0).await?;
    let row = sqlx::query(
        "SELECT CAST(COUNT(DISTINCT group_id) AS BIGINT) AS open_holds FROM hold \
         WHERE held_by = $1 AND state = 'open' AND (until_ms IS NULL OR until_ms > $2) \
         AND (CASE WHEN purpose = 'basket' THEN 1 ELSE 0 END) = $3",
    )
    .bind(who)
    .bind(tx.now().millis())
    .bind(i64::from(purpose == Purpose::Basket))
    .fetch_one(tx.db())
    .await?;
    let open: i64 = row.try_get("open_holds")?;
    match purpose {
        Purpose::Basket if open > MAX_HELD_BASKETS => {
            let (asked, allowed) = (open.to_string(), MAX_HELD_BASKETS.to_string());
            tx.within(Err(AboveLimit { limit: LimitName::OpenHolds, asked, allowed })).await
        }
        Purpose::Basket => Ok(()),
        _ => tx.within(limits.allow_open_holds(open)).await,
    }
}
