//! What went wrong with the database itself, told from its error codes.

use sqlx::migrate::MigrateError;

/// Trouble with the database: the command may or may not be tried again, and the caller's data is
/// not to blame.
#[derive(Debug, thiserror::Error)]
pub enum Trouble {
    /// No file there, and the command does not make one.
    #[error("there is no shop at {place}; check --db, or make one with `fleecefold shop set name \"…\"`")]
    NoShop {
        /// Where it was looked for.
        place: String,
    },
    /// The address cannot be read.
    #[error("“{url}” is not a database; write sqlite:shop.db or postgres://user@host/name")]
    BadUrl {
        /// What was given, without its password.
        url: String,
    },
    /// Another process holds it longer than is waited for.
    #[error("the shop is busy: another program is writing to it; try again in a moment")]
    Busy(#[source] sqlx::Error),
    /// Two transactions were in each other's way; the whole is tried again.
    #[error("two changes were in each other's way too often; try again")]
    Collided(#[source] sqlx::Error),
    /// The file or folder may not be written.
    #[error("the shop's database may not be written: check the rights of the file and its folder")]
    ReadOnly(#[source] sqlx::Error),
    /// No space.
    #[error("the disk is full; make space, nothing was booked")]
    Full(#[source] sqlx::Error),
    /// Not a database, or damaged.
    #[error("the file is not a Fleecefold shop, or it is damaged; restore a backup into a new file")]
    NotAShop(#[source] sqlx::Error),
    /// The database was made by a newer program.
    #[error("the shop was opened by a newer Fleecefold (its schema has step {step}); update this program")]
    Newer {
        /// The first step that this program does not know.
        step: i64,
    },
    /// The schema differs from what this program laid.
    #[error("step {step} of the shop's schema is not the one that this program laid; restore a backup")]
    OtherSchema {
        /// The step.
        step: i64,
    },
    /// The database is older and could not be brought up to date.
    #[error("the shop was made by an older Fleecefold and could not be brought up to date")]
    Older(#[source] MigrateError),
    /// Cannot be reached.
    #[error("the shop's database cannot be reached")]
    Unreachable(#[source] sqlx::Error),
    /// The connection broke while the transaction ended: it may have been booked.
    #[error("the connection broke while this was being booked; ask again with the same key")]
    OutcomeUnknown(#[source] sqlx::Error),
    /// All node numbers are leased.
    #[error("too many programs have this shop open (1024)")]
    NoNode,
    /// A kept answer could not be read or written.
    #[error("an answer kept in the shop's database cannot be read")]
    KeptAnswer(#[source] serde_json::Error),
    /// A value in the database breaks the domain's rules.
    #[error("the shop's database holds a value that cannot be: {what}")]
    Impossible {
        /// Where and what.
        what: String,
    },
    /// The settings were changed meanwhile; the command is tried again with the new ones.
    #[error("the shop's settings were changed meanwhile; try again")]
    SettingsChanged,
    /// A file beside the database could not be read or written.
    #[error("{what}")]
    File {
        /// Which file, and what was done with it.
        what: String,
        /// What the system said.
        #[source]
        source: std::io::Error,
    },
    /// Anything else.
    #[error("the database refused a statement")]
    Database(#[source] sqlx::Error),
}

impl Trouble {
    /// Whether trying the whole command again may help.
    pub fn is_passing(&self) -> bool {
        matches!(self, Self::Collided(_) | Self::OutcomeUnknown(_) | Self::SettingsChanged)
    }

    pub(crate) fn impossible(what: impl std::fmt::Display) -> Self {
        Self::Impossible { what: what.to_string() }
    }
}

/// SQLite's primary result code, from its extended one.
const SQLITE_PRIMARY: i64 = 0xff;

impl From<sqlx::Error> for Trouble {
    fn from(error: sqlx::Error) -> Self {
        match &error {
            sqlx::Error::PoolTimedOut => Self::Busy(error),
            sqlx::Error::Io(_) | sqlx::Error::Tls(_) | sqlx::Error::PoolClosed => Self::Unreachable(error),
            sqlx::Error::Database(db) => {
                let code = db.code().unwrap_or_default().into_owned();
                by_code(&code)(error)
            }
            _ => Self::Database(error),
        }
    }
}

/// SQLite codes are numbers (sqlite.org/rescode.html), PostgreSQL's have five characters
/// (appendix A of its manual).
fn by_code(code: &str) -> fn(sqlx::Error) -> Trouble {
    match code {
        "40001" | "40P01" => return Trouble::Collided,
        "55P03" | "57014" | "53300" => return Trouble::Busy,
        "53100" => return Trouble::Full,
        "25006" => return Trouble::ReadOnly,
        "3D000" | "28P01" | "28000" | "57P01" | "57P03" => return Trouble::Unreachable,
        _ => {}
    }
    match code.parse::<i64>().map(|c| c & SQLITE_PRIMARY) {
        Ok(5 | 6) => Trouble::Busy,
        Ok(8) => Trouble::ReadOnly,
        Ok(13) => Trouble::Full,
        Ok(14) => Trouble::Unreachable,
        Ok(11 | 26) => Trouble::NotAShop,
        _ => Trouble::Database,
    }
}
