//! Begins transactions, though the caller may be dropped at any moment, as a request is when its client
//! goes away.

use sqlx::{Any, AnyConnection, AnyPool, Connection, Transaction};

/// Begins a transaction with `text`. If it is dropped before the transaction has begun, none is left
/// open.
///
/// PostgreSQL's driver treats a connection as outside any transaction until BEGIN is answered. If it
/// were dropped in between, it would return to the pool, and what its next user writes would belong to
/// a transaction that nobody ends. So beginning goes on by itself: the transaction is dropped once it
/// exists, which undoes it.
pub(crate) async fn begin(
    pool: &AnyPool,
    text: &'static str,
) -> Result<Transaction<'static, Any>, sqlx::Error> {
    let pool = pool.clone();
    let begun = tokio::spawn(async move { pool.begin_with(text).await });
    match begun.await {
        Ok(begun) => begun,
        Err(ended) if ended.is_panic() => std::panic::resume_unwind(ended.into_panic()),
        // Only when the program ends.
        Err(_) => Err(sqlx::Error::PoolClosed),
    }
}

/// Like [`begin`], on SQLite, whose driver undoes a transaction by itself if nobody waits for its beginning any
/// more: there is no need to let it go on.
pub(crate) async fn begin_write_on_sqlite(pool: &AnyPool) -> Result<Transaction<'static, Any>, sqlx::Error> {
    pool.begin_with("BEGIN IMMEDIATE").await
}

/// Like [`begin`], on a connection that nobody else has: it ends when the caller is dropped.
pub(crate) async fn begin_on<'c>(
    connection: &'c mut AnyConnection,
    text: &'static str,
) -> Result<Transaction<'c, Any>, sqlx::Error> {
    connection.begin_with(text).await
}

#[cfg(test)]
mod tests {
    use crate::keeping::SetShop;
    use crate::shelf::{AddItems, NewItem};
    use crate::store::clock::SystemClock;
    use crate::{Access, CommandError, Ledger, StorageError};
    use domain::item::{ItemPricing, ItemStock, ItemText};
    use domain::money::{Currency, Money};
    use domain::stock::ItemKind;
    use std::sync::Arc;

    fn item(number: usize) -> NewItem {
        NewItem {
            text: ItemText {
                name: format!("Cowl {number}"),
                description: "knitted by hand ".repeat(600),
                ..ItemText::default()
            },
            sku: None,
            gtin: None,
            pricing: ItemPricing {
                price: Money::from_minor(100, Currency::USD).ok(),
                ..ItemPricing::none(Currency::USD)
            },
            stock: ItemStock::of(ItemKind::Piece),
        }
    }

    /// Imitates a full disk: `PRAGMA max_page_count` causes `SQLITE_FULL` (sqlite.org/pragma.html), and
    /// `RAISE(ROLLBACK)` makes SQLite undo the transaction by itself
    /// (`sqlite.org/lang_createtrigger.html`), as it does when the disk fails in the middle
    /// (`sqlite.org/lang_transaction.html`, section 2.3).
    #[tokio::test]
    async fn a_connection_whose_transaction_ended_by_itself_is_thrown_away() {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("shop.db").display());
        let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.expect("a shop");
        let rolls_back =
            "CREATE TEMP TRIGGER fails BEFORE INSERT ON item BEGIN SELECT RAISE(ROLLBACK, 'the disk'); END";
        for round in 0..4 {
            let mut writer = ledger.inner.writers.acquire().await.expect("the writer");
            let pages: i64 =
                sqlx::query_scalar("PRAGMA page_count").fetch_one(&mut *writer).await.expect("a number");
            let limit = format!("PRAGMA max_page_count = {pages}");
            let text = if round % 2 == 0 { limit } else { rolls_back.to_owned() };
            sqlx::query(sqlx::AssertSqlSafe(text)).fetch_all(&mut *writer).await.expect("a limit");
            drop(writer);
            let many =
                AddItems { items: (0..100).map(item).collect(), who: "maker".to_owned(), progress: None };
            let full = ledger.execute(None, &many).await.expect_err("there is no room");
            match full {
                CommandError::Storage(StorageError::Full(_)) => assert!(ledger.inner.writes.are_stopped()),
                CommandError::Storage(StorageError::Database(_)) if round % 2 == 1 => {}
                other => panic!("{round}: {other:?}"),
            }
            if round % 2 == 0 {
                let mut writer = ledger.inner.writers.acquire().await.expect("the writer");
                let most = "PRAGMA max_page_count = 1000000000";
                sqlx::query(most).fetch_all(&mut *writer).await.expect("room again");
            }
            // The trigger belongs to the connection and disappears with it.
            let name = SetShop { key: "name".to_owned(), value: format!("Shop {round}"), who: String::new() };
            ledger.execute(None, &name).await.expect("the next command goes through");
            assert!(!ledger.inner.writes.are_stopped());
            ledger.ready().await.expect("ready");
        }
        let items: i64 = {
            let mut reader = ledger.reader().await.expect("a reader");
            sqlx::query_scalar("SELECT COUNT(*) FROM item").fetch_one(&mut *reader).await.expect("a number")
        };
        assert_eq!(items, 0, "what did not fit was undone whole");
        ledger.close().await;
    }
}
