//! What went wrong with the database itself, by its error codes.

use sqlx::migrate::MigrateError;

/// A problem with the database. The command may or may not be repeated, and the caller's data is not
/// the cause.
#[derive(Debug, thiserror::Error)]
pub enum StorageError {
    /// There is no file, and the command does not create one.
    #[error("there is no shop at {place}; check --db, or make one with `fleecefold shop set name \"…\"`")]
    NoShop {
        /// Where it was looked for.
        place: String,
    },
    /// The address is not valid.
    #[error("“{url}” is not a database; write sqlite:shop.db or postgres://user@host/name")]
    BadUrl {
        /// The address without its password.
        url: String,
    },
    /// Another process kept it locked for longer than we wait.
    #[error("the shop is busy: another program is writing to it; try again in a moment")]
    Busy(#[source] sqlx::Error),
    /// Two transactions got in each other's way; the command is tried again.
    #[error("two changes were in each other's way too often; try again")]
    Collided(#[source] sqlx::Error),
    /// The file or folder is not writable.
    #[error("the shop's database may not be written: check the rights of the file and its folder")]
    ReadOnly(#[source] sqlx::Error),
    /// No space is left. This concerns one transaction, all of which was undone; what a longer run did
    /// before stays.
    #[error("the disk is full, and this change was undone; make space and make it again")]
    Full(#[source] sqlx::Error),
    /// The last write failed because of the disk or the server, and none has succeeded since.
    #[error(
        "the shop can be read but not written at the moment; is its disk full, or its server being changed?"
    )]
    NotWritable,
    /// Not a database, or damaged.
    #[error("the file is not a Fleecefold shop, or it is damaged; restore a backup into a new file")]
    NotAShop(#[source] sqlx::Error),
    /// Another program's database.
    #[error("{place} is the database of another program, not a Fleecefold shop; name another file")]
    Foreign {
        /// The file.
        place: String,
    },
    /// The database was created by a newer program.
    #[error("the shop was opened by a newer Fleecefold (its schema has step {step}); update this program")]
    Newer {
        /// The first step that this program does not know.
        step: i64,
    },
    /// The schema is older than this program, and this role may not change it.
    #[error(
        "the shop's tables are older than this program, or missing, and this database role may not change them; \
         run `fleecefold upgrade` once with the address of the role that owns them"
    )]
    NeedsOwner,
    /// The schema differs from the one that this program creates.
    #[error("step {step} of the shop's schema is not the one that this program laid; restore a backup")]
    OtherSchema {
        /// The first step that differs.
        step: i64,
    },
    /// The database is older and could not be brought up to date.
    #[error("the shop was made by an older Fleecefold and could not be brought up to date")]
    Older(#[source] MigrateError),
    /// The server cannot be reached.
    #[error(
        "the shop's database cannot be reached ({0}); check --db: is its folder there, or its server running?"
    )]
    Unreachable(#[source] sqlx::Error),
    /// The connection broke while the transaction ended: it may have been booked.
    #[error("the connection broke while this was being booked; ask again with the same key")]
    OutcomeUnknown(#[source] sqlx::Error),
    /// All node numbers are leased.
    #[error("too many programs have this shop open (1024)")]
    NoNode,
    /// A stored answer could not be read or written.
    #[error("an answer kept in the shop's database cannot be read")]
    KeptAnswer(#[source] serde_json::Error),
    /// A value in the database violates the domain's rules.
    #[error("the shop's database holds a value that cannot be: {what}")]
    Impossible {
        /// Where it is, and what it is.
        what: String,
    },
    /// The transaction that the command shared with others was undone; the command is tried again.
    #[error("another change that was being made at the same time failed and undid this one; try again")]
    Undone,
    /// The settings changed in the meantime; the command is tried again with the new ones.
    #[error("the shop's settings were changed meanwhile; try again")]
    SettingsChanged,
    /// A file beside the database could not be read or written.
    #[error("{what}")]
    File {
        /// The file, and what was done with it.
        what: String,
        /// The system's error.
        #[source]
        source: std::io::Error,
    },
    /// Any other database error.
    #[error("the database refused a statement")]
    Database(#[source] sqlx::Error),
}

impl StorageError {
    /// Whether trying the whole command again may help.
    pub(crate) fn is_passing(&self) -> bool {
        matches!(self, Self::Collided(_) | Self::OutcomeUnknown(_) | Self::Undone | Self::SettingsChanged)
    }

    /// Whether the next write would fail too, until the disk or the server works again.
    pub(crate) fn stops_writes(&self) -> bool {
        matches!(
            self,
            Self::Full(_)
                | Self::ReadOnly(_)
                | Self::Unreachable(_)
                | Self::OutcomeUnknown(_)
                | Self::NotAShop(_)
                | Self::NotWritable
        )
    }

    pub(crate) fn impossible(what: impl std::fmt::Display) -> Self {
        Self::Impossible { what: what.to_string() }
    }
}

/// SQLite's primary result code, from its extended one.
const SQLITE_PRIMARY: i64 = 0xff;

impl From<sqlx::Error> for StorageError {
    fn from(error: sqlx::Error) -> Self {
        match &error {
            sqlx::Error::PoolTimedOut => Self::Busy(error),
            sqlx::Error::Io(_)
            | sqlx::Error::Tls(_)
            | sqlx::Error::Protocol(_)
            | sqlx::Error::PoolClosed
            | sqlx::Error::WorkerCrashed => Self::Unreachable(error),
            sqlx::Error::Database(db) => {
                let code = db.code().unwrap_or_default().into_owned();
                by_code(&code)(error)
            }
            _ => Self::Database(error),
        }
    }
}

/// PostgreSQL's codes have five characters, some only digits; SQLite's have at most four.
const POSTGRES_CODE: usize = 5;

fn by_code(code: &str) -> fn(sqlx::Error) -> StorageError {
    if code.len() == POSTGRES_CODE { by_postgres_code(code) } else { by_sqlite_code(code) }
}

/// Appendix A of PostgreSQL's manual.
fn by_postgres_code(code: &str) -> fn(sqlx::Error) -> StorageError {
    match code {
        "40001" | "40P01" => StorageError::Collided,
        "55P03" | "57014" | "53300" => StorageError::Busy,
        "53100" => StorageError::Full,
        "25006" | "42501" => StorageError::ReadOnly,
        "XX001" | "XX002" => StorageError::NotAShop,
        "3D000" | "28P01" | "28000" | "57P01" | "57P02" | "57P03" | "25P03" => StorageError::Unreachable,
        _ if code.starts_with("08") => StorageError::Unreachable,
        _ => StorageError::Database,
    }
}

/// sqlite.org/rescode.html. An I/O error while a transaction ends leaves its outcome unknown, like a
/// broken connection.
fn by_sqlite_code(code: &str) -> fn(sqlx::Error) -> StorageError {
    match code.parse::<i64>().map(|c| c & SQLITE_PRIMARY) {
        Ok(5 | 6) => StorageError::Busy,
        Ok(3 | 8) => StorageError::ReadOnly,
        Ok(13) => StorageError::Full,
        Ok(10 | 14) => StorageError::Unreachable,
        Ok(11 | 26) => StorageError::NotAShop,
        _ => StorageError::Database,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_told_apart_by_engine() {
        let check = |code: &str, name: &str, expected: &str| {
            let trouble = by_code(code)(sqlx::Error::RowNotFound);
            let found = format!("{trouble:?}");
            assert_eq!(found.split('(').next(), Some(expected), "{code} {name}");
        };
        // sqlite.org/rescode.html: primary codes, then extended ones.
        check("1", "SQLITE_ERROR", "Database");
        check("3", "SQLITE_PERM", "ReadOnly");
        check("5", "SQLITE_BUSY", "Busy");
        check("6", "SQLITE_LOCKED", "Busy");
        check("8", "SQLITE_READONLY", "ReadOnly");
        check("10", "SQLITE_IOERR", "Unreachable");
        check("11", "SQLITE_CORRUPT", "NotAShop");
        check("13", "SQLITE_FULL", "Full");
        check("14", "SQLITE_CANTOPEN", "Unreachable");
        check("19", "SQLITE_CONSTRAINT", "Database");
        check("26", "SQLITE_NOTADB", "NotAShop");
        check("261", "SQLITE_BUSY_RECOVERY", "Busy");
        check("517", "SQLITE_BUSY_SNAPSHOT", "Busy");
        check("262", "SQLITE_LOCKED_SHAREDCACHE", "Busy");
        check("1032", "SQLITE_READONLY_DBMOVED", "ReadOnly");
        check("1544", "SQLITE_READONLY_DIRECTORY", "ReadOnly");
        check("267", "SQLITE_CORRUPT_VTAB", "NotAShop");
        check("1034", "SQLITE_IOERR_FSYNC", "Unreachable");
        check("270", "SQLITE_CANTOPEN_NOTEMPDIR", "Unreachable");
        check("2067", "SQLITE_CONSTRAINT_UNIQUE", "Database");
        check("275", "SQLITE_CONSTRAINT_CHECK", "Database");
        // PostgreSQL 15, appendix A.
        check("40001", "serialization_failure", "Collided");
        check("40P01", "deadlock_detected", "Collided");
        check("55P03", "lock_not_available", "Busy");
        check("53300", "too_many_connections", "Busy");
        check("53100", "disk_full", "Full");
        check("25006", "read_only_sql_transaction", "ReadOnly");
        check("42501", "insufficient_privilege", "ReadOnly");
        check("3D000", "invalid_catalog_name", "Unreachable");
        check("28P01", "invalid_password", "Unreachable");
        check("08006", "connection_failure", "Unreachable");
        check("57P01", "admin_shutdown", "Unreachable");
        check("57P03", "cannot_connect_now", "Unreachable");
        check("25P03", "idle_in_transaction_session_timeout", "Unreachable");
        check("XX001", "data_corrupted", "NotAShop");
        check("23505", "unique_violation", "Database");
        check("23514", "check_violation", "Database");
        // Only digits, and 5 in its last eight bits: not SQLITE_BUSY.
        check("22021", "character_not_in_repertoire", "Database");
    }
}
