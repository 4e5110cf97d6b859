//! Beginning a transaction, by whoever may be dropped at any moment: a request whose client has gone away is.

use sqlx::{Any, AnyPool, Transaction};

/// Begins one with `text`. Dropped before it has begun, it leaves none behind.
///
/// PostgreSQL's driver takes a connection for one outside of any transaction until the answer to BEGIN is
/// there. Dropped in between, it would go back into the pool, and what the next one writes by itself would
/// belong to a transaction that nobody ends. So the beginning goes on alone: its transaction is dropped once
/// it is there, and that undoes it.
pub(crate) async fn begin(
    pool: &AnyPool,
    text: &'static str,
) -> Result<Transaction<'static, Any>, sqlx::Error> {
    let pool = pool.clone();
    let begun = tokio::spawn(async move { pool.begin_with(text).await });
    match begun.await {
        Ok(begun) => begun,
        Err(ended) if ended.is_panic() => std::panic::resume_unwind(ended.into_panic()),
        // Only where the program ends.
        Err(_) => Err(sqlx::Error::PoolClosed),
    }
}
