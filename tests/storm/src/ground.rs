//! The place of a storm's shop: a copy of a new one, so that no storm waits for migrations.

use crate::plan::START;
use crate::{Doing, StormError};
use ledger::{Access, Ledger, ManualClock};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicU32, Ordering};
use tempfile::TempDir;

/// Memory in the form of a folder: a storm does not need the disk.
const MEMORY: &str = "/dev/shm";

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Engine {
    Sqlite,
    /// Two processes on one database.
    Postgres,
}

/// A new shop on an engine, from which storms take copies.
#[derive(Debug)]
pub enum Template {
    File(TempDir),
    /// The server's address without a database, and the database's name.
    Database(String, String),
}

#[derive(Debug)]
pub(crate) struct Ground {
    pub(crate) url: String,
    /// For secrets, and for the shop's file.
    pub(crate) folder: TempDir,
    database: Option<(String, String)>,
}

fn folder() -> Result<TempDir, StormError> {
    let mut builder = tempfile::Builder::new();
    builder.prefix("fleecefold-storm.");
    let made = if Path::new(MEMORY).is_dir() { builder.tempdir_in(MEMORY) } else { builder.tempdir() };
    made.doing("make a folder")
}

fn name(of: &str) -> String {
    static NUMBER: AtomicU32 = AtomicU32::new(0);
    format!("storm_{of}_{}_{}", std::process::id(), NUMBER.fetch_add(1, Ordering::Relaxed))
}

fn psql(server: &str, statement: &str) -> Result<(), StormError> {
    let mut command = Command::new("psql");
    command.args(["-X", "-q", "-v", "ON_ERROR_STOP=1", "-d", &format!("{server}/postgres"), "-c", statement]);
    let done = command.output().doing("run psql")?;
    let words = String::from_utf8_lossy(&done.stderr).into_owned();
    if done.status.success() { Ok(()) } else { Err(words).doing("speak to PostgreSQL") }
}

fn file_in(folder: &TempDir) -> String {
    format!("sqlite:{}", folder.path().join("shop.db").display())
}

impl Template {
    /// Creates it. For PostgreSQL, on the server that `FLEECEFOLD_TEST_PG` names.
    ///
    /// # Errors
    /// If the engine cannot be reached.
    pub async fn make(engine: Engine) -> Result<Self, StormError> {
        let (template, url) = match engine {
            Engine::Sqlite => {
                let folder = folder()?;
                let url = file_in(&folder);
                (Self::File(folder), url)
            }
            Engine::Postgres => {
                let named = std::env::var("FLEECEFOLD_TEST_PG").doing("find FLEECEFOLD_TEST_PG")?;
                let server = named.rsplit_once('/').map_or(named.as_str(), |(server, _)| server).to_owned();
                let database = name("template");
                psql(&server, &format!("CREATE DATABASE {database}"))?;
                let url = format!("{server}/{database}");
                (Self::Database(server, database), url)
            }
        };
        let clock = Arc::new(ManualClock::at(START));
        let ledger = Ledger::open(&url, Access::Create, clock).await.doing("make a shop")?;
        ledger.close().await;
        Ok(template)
    }

    pub(crate) fn copy(&self) -> Result<Ground, StormError> {
        let own = folder()?;
        match self {
            Self::File(made) => {
                for ending in ["", "-wal"] {
                    let from = made.path().join(format!("shop.db{ending}"));
                    if from.exists() {
                        std::fs::copy(from, own.path().join(format!("shop.db{ending}")))
                            .doing("copy the shop")?;
                    }
                }
                Ok(Ground { url: file_in(&own), folder: own, database: None })
            }
            Self::Database(server, made) => {
                let database = name("shop");
                psql(server, &format!("CREATE DATABASE {database} TEMPLATE {made}"))?;
                let url = format!("{server}/{database}");
                Ok(Ground { url, folder: own, database: Some((server.clone(), database)) })
            }
        }
    }
}

impl Drop for Template {
    fn drop(&mut self) {
        if let Self::Database(server, database) = self {
            // The server is temporary: what is left disappears with it.
            let _ = psql(server, &format!("DROP DATABASE {database} WITH (FORCE)"));
        }
    }
}

impl Drop for Ground {
    fn drop(&mut self) {
        if let Some((server, database)) = &self.database {
            let _ = psql(server, &format!("DROP DATABASE {database} WITH (FORCE)"));
        }
    }
}
