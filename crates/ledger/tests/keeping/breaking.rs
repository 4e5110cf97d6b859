//! Damage that `check` must find: the schema's constraints are removed, rows are changed behind the
//! ledger's back, and
//! `check` must report exactly that.

use crate::full_shop;
use crate::place::connection;
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use testkit::{TestShop, shops};

/// Removes the schema's constraints, for this connection or for good.
pub(crate) async fn unguarded(shop: &TestShop) -> AnyConnection {
    let mut connection = connection(shop).await;
    if shop.engine == testkit::Engine::Sqlite {
        let text = "PRAGMA ignore_check_constraints = ON; PRAGMA foreign_keys = OFF";
        sqlx::raw_sql(text).execute(&mut connection).await.unwrap();
        return connection;
    }
    // Foreign keys first: they depend on the unique keys.
    let text = "SELECT 'ALTER TABLE ' || CAST(CAST(conrelid AS regclass) AS TEXT) || ' DROP CONSTRAINT ' || conname \
        FROM pg_constraint WHERE contype IN ('c', 'f') AND connamespace = CAST('public' AS regnamespace)";
    let drops = sqlx::query(text).fetch_all(&mut connection).await.unwrap();
    assert!(!drops.is_empty());
    for drop in drops {
        let text: String = drop.try_get(0).unwrap();
        sqlx::query(AssertSqlSafe(text)).execute(&mut connection).await.unwrap();
    }
    connection
}

/// One kind of damage: the statement, how to repair it, and everything that `check` then reports.
pub(crate) struct Break {
    pub(crate) broken: &'static str,
    pub(crate) mended: &'static str,
    pub(crate) found: &'static [&'static str],
}

/// Damages the full shop in each way separately. In between it is repaired and must be clean again, so that
/// each finding comes from its own damage.
pub(crate) async fn check(breaks: &[Break]) {
    check_after(breaks, async |_| ()).await;
}

/// The same after more has happened in the full shop.
pub(crate) async fn check_after(breaks: &[Break], more: impl AsyncFn(&ledger::Ledger)) {
    for shop in shops().await {
        full_shop::fill(&shop).await;
        more(&shop.ledger).await;
        let mut connection = unguarded(&shop).await;
        for Break { broken, mended, found } in breaks {
            run(&mut connection, broken).await;
            let report = shop.ledger.check(|_| ()).await.unwrap();
            assert_eq!(full_shop::told(&report), *found, "{}: {broken}", shop.engine);
            run(&mut connection, mended).await;
            full_shop::clean(&shop.ledger).await;
        }
        drop(connection);
        shop.end().await;
    }
}

async fn run(connection: &mut AnyConnection, statements: &'static str) {
    for statement in statements.split(';').filter(|s| !s.trim().is_empty()) {
        let done = sqlx::query(AssertSqlSafe(statement)).execute(&mut *connection).await;
        let done = done.unwrap_or_else(|error| panic!("{statement}: {error}"));
        assert!(done.rows_affected() > 0 || statement.contains("CREATE"), "{statement} changed nothing");
    }
}

#[tokio::test]
async fn findings_of_one_law_are_told_up_to_a_bound_and_counted() {
    for shop in shops().await {
        full_shop::many_kits(&shop.ledger, 60).await;
        let mut connection = unguarded(&shop).await;
        run(&mut connection, "UPDATE item SET sold = sold + 1, written_off = written_off - 1").await;
        let report = shop.ledger.check(|_| ()).await.unwrap();
        // For each of the 60: sold and written off against the entries, sold against the sale lines.
        assert_eq!(report.findings.len(), ledger::keeping::FINDINGS_OF_A_LAW, "{}", shop.engine);
        let more: Vec<_> = report.more.values().copied().collect();
        assert_eq!(more, [60 * 3 - 50], "{}", shop.engine);
        assert!(!report.is_clean());
        drop(connection);
        shop.end().await;
    }
}
