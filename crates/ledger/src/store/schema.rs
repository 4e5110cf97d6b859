//! The steps of the schema, and bringing a shop up to date with them.

use crate::store::begin::begin_on;
use crate::store::database_url::DatabaseUrl;
use crate::store::engine::{Access, Engine};
use crate::store::storage_error::StorageError;
use sqlx::migrate::{MigrateError, Migration, MigrationType, Migrator};
use sqlx::{AnyConnection, AnyPool, SqlSafeStr};
use std::sync::LazyLock;

/// The steps of the schema, built into the program. They are listed by hand and not by sqlx's macro,
/// which would build SQLite a second time for the compiler.
static SCHEMA: LazyLock<Migrator> = LazyLock::new(|| {
    let step = |number: i64, name: &'static str, text: &'static str| {
        Migration::new(number, name.into(), MigrationType::Simple, text.into_sql_str(), false)
    };
    Migrator::with_migrations(vec![
        step(1, "store", include_str!("../../../../migrations/0001_store.sql")),
        step(2, "people", include_str!("../../../../migrations/0002_people.sql")),
        step(3, "customers", include_str!("../../../../migrations/0003_customers.sql")),
        step(4, "books", include_str!("../../../../migrations/0004_books.sql")),
        step(5, "shelf", include_str!("../../../../migrations/0005_shelf.sql")),
        step(6, "online", include_str!("../../../../migrations/0006_online.sql")),
        step(7, "sales", include_str!("../../../../migrations/0007_sales.sql")),
        step(8, "orders", include_str!("../../../../migrations/0008_orders.sql")),
    ])
});

/// On SQLite all steps are one transaction, which waits for another program's: whoever comes second
/// finds them done. On PostgreSQL the migrator takes a lock of its own.
pub(super) async fn migrate(pool: &AnyPool, place: &DatabaseUrl, access: Access) -> Result<(), StorageError> {
    let mut connection = pool.acquire().await?;
    let is_up_to_date = is_up_to_date(&mut connection).await;
    if access == Access::Read && is_up_to_date {
        return Ok(());
    }
    if !may_make_tables(&mut connection, place.engine()).await? {
        return match last_step(&mut connection).await {
            Some(step) if step == schema_step() => Ok(()),
            Some(step) if step > schema_step() => Err(StorageError::Newer { step }),
            _ => Err(StorageError::NeedsOwner),
        };
    }
    if place.engine() == Engine::Postgres || is_up_to_date {
        return run_schema(&mut connection).await;
    }
    // The first command after an update may be one that only reads.
    let mut own = match access {
        Access::Read => Some(place.to_write().await?),
        Access::Write | Access::Create => None,
    };
    let connection = own.as_mut().unwrap_or(&mut connection);
    let mut steps = begin_on(connection, "BEGIN IMMEDIATE").await?;
    run_schema(&mut steps).await?;
    Ok(steps.commit().await?)
}

async fn run_schema(connection: &mut AnyConnection) -> Result<(), StorageError> {
    SCHEMA.run(connection).await.map_err(|error| match error {
        MigrateError::VersionMissing(step) => StorageError::Newer { step },
        MigrateError::VersionMismatch(step) => StorageError::OtherSchema { step },
        MigrateError::Execute(source) | MigrateError::ExecuteMigration(source, _) => source.into(),
        other => StorageError::Older(other),
    })
}

/// Whether this connection's role may create tables. A shop on PostgreSQL may be served by a role that
/// only reads and writes rows, while another one owns the tables and brings them up to date.
async fn may_make_tables(connection: &mut AnyConnection, engine: Engine) -> Result<bool, StorageError> {
    if engine == Engine::Sqlite {
        return Ok(true);
    }
    let may: (i64,) = sqlx::query_as(
        "SELECT CAST(CASE WHEN has_schema_privilege(current_schema(), 'CREATE') THEN 1 ELSE 0 END AS BIGINT)",
    )
    .fetch_one(&mut *connection)
    .await?;
    Ok(may.0 == 1)
}

/// The last schema step that this program knows.
pub(crate) fn schema_step() -> i64 {
    SCHEMA.iter().map(|m| m.version).max().unwrap_or(0)
}

/// The last step of the shop's schema; none if there is no shop yet.
async fn last_step(connection: &mut AnyConnection) -> Option<i64> {
    let found: Result<(i64,), _> =
        sqlx::query_as("SELECT MAX(version) FROM _sqlx_migrations").fetch_one(&mut *connection).await;
    found.ok().map(|(step,)| step)
}

/// Whether the shop has the last step that this program knows, and no later one.
async fn is_up_to_date(connection: &mut AnyConnection) -> bool {
    last_step(connection).await == Some(schema_step())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_file_of_the_schema_is_a_step_of_the_program() {
        let folder = concat!(env!("CARGO_MANIFEST_DIR"), "/../../migrations");
        let mut files: Vec<String> = std::fs::read_dir(folder)
            .unwrap()
            .map(|file| file.unwrap().file_name().into_string().unwrap())
            .collect();
        files.sort();
        let steps: Vec<String> =
            SCHEMA.iter().map(|step| format!("{:04}_{}.sql", step.version, step.description)).collect();
        assert_eq!(files, steps);
    }
}
