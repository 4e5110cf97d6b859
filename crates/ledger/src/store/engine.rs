//! Opening a shop: which engine, which rights, which settings of the connections.

use crate::store::actor::Actor;
use crate::store::clock::Clock;
use crate::store::command::Follows;
use crate::store::database_url::DatabaseUrl;
use crate::store::error::CommandError;
use crate::store::lease::Lease;
use crate::store::postgres_notify::{self, Notices};
use crate::store::schema::{migrate, schema_step};
use crate::store::settings::{self, Shop};
use crate::store::storage_error::StorageError;
use crate::store::writes::Writes;
use domain::day::Moment;
use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::pool::PoolConnection;
use sqlx::{Any, AnyConnection, AnyPool, Connection, Executor, Row};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Once, OnceLock, RwLock};
use std::time::Duration;
use tokio::sync::watch;

/// How long a write waits for another one before the caller is told that the shop is busy.
pub(crate) const BUSY_WAIT: Duration = Duration::from_secs(5);
/// Readers of one process on SQLite. They share the file's pages, so few are enough; one of them listens.
const SQLITE_READERS: u32 = 5;
/// Connections of one process to PostgreSQL, for writes and for reads.
const POSTGRES_WRITERS: u32 = 16;
const POSTGRES_READERS: u32 = 9;

/// A connection to a server that was idle for longer is asked whether it still stands before it is used: a server
/// that was started anew has ended all of them. In a busy shop none is asked.
const ASKED_AFTER: Duration = Duration::from_millis(500);

/// What may be done to the shop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// Read and write; the shop must exist.
    Write,
    /// Read and write; a missing SQLite file is made.
    Create,
    /// Read alone: takes no node number and changes no file.
    Read,
}

/// Which engine.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Engine {
    Sqlite,
    Postgres,
}

/// An open shop.
#[derive(Clone, Debug)]
pub struct Ledger {
    pub(crate) inner: Arc<Inner>,
    /// Whose limits hold for what is done through it, where no key says so.
    pub(crate) actor: Option<Arc<Actor>>,
}

#[derive(Debug)]
pub(crate) struct Inner {
    pub(crate) engine: Engine,
    pub(crate) writers: AnyPool,
    pub(crate) readers: AnyPool,
    pub(crate) clock: Arc<dyn Clock>,
    pub(crate) lease: Option<Lease>,
    pub(crate) follows: Follows,
    pub(crate) shop: RwLock<Arc<Shop>>,
    /// Counts the commits of this process that gave somebody something to tell or to do.
    pub(crate) changes: watch::Sender<u64>,
    /// Tells other processes of them.
    pub(crate) notices: Notices,
    /// Whether the last write went through.
    pub(crate) writes: Writes,
    /// Where pictures stand, if somebody has said it.
    pub(crate) pictures: OnceLock<PathBuf>,
    path: Option<PathBuf>,
    made: bool,
}

impl Ledger {
    /// Opens the shop's database, and brings its schema up to date unless it is opened to read alone.
    pub(crate) async fn open_engine(
        url: &str,
        access: Access,
        clock: Arc<dyn Clock>,
        follows: Follows,
    ) -> Result<Self, StorageError> {
        static DRIVERS: Once = Once::new();
        DRIVERS.call_once(sqlx::any::install_default_drivers);
        let place = DatabaseUrl::read(url)?;
        let made = place.prepare(access)?;
        let options = place.reached(access, url).await?;
        let (writers, readers) = pools(place.engine(), access, options).await?;
        migrate(&writers, &place, access).await?;
        let mut connection = readers.acquire().await?;
        let shop = settings::load(&mut connection).await.map_err(trouble_of)?;
        drop(connection);
        let lease = match access {
            Access::Read => None,
            Access::Write | Access::Create => Some(Lease::take(&writers, clock.as_ref()).await?),
        };
        // A process's number alone may be another's on another machine.
        let own = format!("{}-{}", std::process::id(), lease.as_ref().map_or(0, |l| l.next_id(clock.now())));
        let inner = Inner {
            notices: Notices::new(place.server(), own),
            engine: place.engine(),
            writers,
            readers,
            clock,
            lease,
            follows,
            shop: RwLock::new(Arc::new(shop)),
            changes: watch::Sender::new(0),
            writes: Writes::default(),
            pictures: OnceLock::new(),
            path: place.path().map(Path::to_path_buf),
            made,
        };
        let ledger = Self { inner: Arc::new(inner), actor: None };
        if ledger.inner.lease.is_some() {
            crate::store::lease::keep_renewed(Arc::downgrade(&ledger.inner));
            postgres_notify::keep_sending(&ledger.inner);
        }
        Ok(ledger)
    }

    /// The same shop, within somebody's limits: for work of many transactions that is done for them.
    #[must_use]
    pub fn acting_for(&self, actor: Actor) -> Self {
        Self { actor: Some(Arc::new(actor)), ..self.clone() }
    }

    /// Whether opening it made the file.
    pub fn was_made(&self) -> bool {
        self.inner.made
    }

    /// The file of a shop on SQLite.
    pub fn path(&self) -> Option<&Path> {
        self.inner.path.as_deref()
    }

    /// Now, by the clock that it was opened with.
    pub fn now(&self) -> Moment {
        self.inner.clock.now()
    }

    /// The shop's settings as last seen; every write checks that they are still so.
    pub fn shop(&self) -> Arc<Shop> {
        let guard = self.inner.shop.read().unwrap_or_else(std::sync::PoisonError::into_inner);
        Arc::clone(&guard)
    }

    /// Reads the settings again.
    pub async fn refresh_shop(&self) -> Result<Arc<Shop>, CommandError> {
        let mut connection = self.reader().await?;
        let shop = Arc::new(settings::load(&mut connection).await?);
        let mut guard = self.inner.shop.write().unwrap_or_else(std::sync::PoisonError::into_inner);
        *guard = Arc::clone(&shop);
        Ok(shop)
    }

    pub(crate) async fn settings_revision(&self) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT settings_revision FROM shop_state WHERE id = 1")
            .fetch_one(&mut *connection)
            .await?;
        Ok(row.try_get(0)?)
    }

    /// Changes whenever a commit of this process has left something to tell a connection or to fetch from
    /// one. Of what another process commits it knows while [`Ledger::listen_for_commits`] goes on.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.inner.changes.subscribe()
    }

    /// The step that the schema is at: the last one that this program knows, once the shop is open.
    pub fn schema_step(&self) -> i64 {
        schema_step()
    }

    /// Gives the node number back and ends the connections.
    pub async fn close(&self) {
        if let Some(lease) = &self.inner.lease {
            lease.give_back(&self.inner.writers, self.now()).await;
        }
        self.inner.writers.close().await;
        self.inner.readers.close().await;
    }

    /// A connection to read with.
    pub(crate) async fn reader(&self) -> Result<PoolConnection<Any>, CommandError> {
        Ok(self.inner.readers.acquire().await?)
    }

    /// Whether what is sold can be booked: the database answers, and if its last write failed for the disk's or the
    /// server's sake, another one goes through now. One is tried a second, whoever asks how often.
    pub async fn ready(&self) -> Result<(), CommandError> {
        self.ping().await?;
        let Some(lease) = self.inner.lease.as_ref().filter(|_| self.inner.writes.are_stopped()) else {
            return Ok(());
        };
        if !self.inner.writes.may_try(self.now()) {
            return Err(StorageError::NotWritable.into());
        }
        lease.renew(&self.inner.writers, self.now()).await?;
        self.inner.writes.went_through();
        Ok(())
    }

    /// Whether the database answers.
    pub async fn ping(&self) -> Result<(), CommandError> {
        let mut connection = self.reader().await?;
        sqlx::query("SELECT id FROM shop_state WHERE id = 1").fetch_one(&mut *connection).await?;
        Ok(())
    }
}

pub(crate) fn trouble_of(failure: CommandError) -> StorageError {
    match failure {
        CommandError::Storage(trouble) => trouble,
        CommandError::Rejected(rejection) => StorageError::impossible(rejection),
    }
}

/// What each new connection is told. SQLite: WAL with synchronous=FULL, so that an answer of
/// success is on disk (law 7).
const SQLITE_SETTINGS: &str = "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; \
    PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA cache_size = -16384; \
    PRAGMA temp_store = MEMORY; PRAGMA journal_size_limit = 67108864";
/// Reading alone asks for nothing that would write: the file or its folder may be read-only.
const SQLITE_READS: &str = "PRAGMA busy_timeout = 5000; PRAGMA foreign_keys = ON; PRAGMA cache_size = -16384; \
    PRAGMA temp_store = MEMORY";
/// PostgreSQL: the answer waits for the disk (law 7), a lock is waited for as long as on SQLite.
/// No statement here runs long enough that compiling it pays: where a plan's guessed cost is high, compiling took
/// a hundred times as long as the statement.
const POSTGRES_SETTINGS: &str = "SET synchronous_commit = on; SET lock_timeout = '5s'; SET jit = off; \
    SET idle_in_transaction_session_timeout = '60s'; SET client_min_messages = warning; \
    SET default_transaction_isolation = 'read committed'";

/// What each connection that writes is told besides. A write finds its rows by an index. PostgreSQL knows of a
/// table what it noticed when it last looked: one that fills up or turns over within a minute it takes for
/// empty, and would read the whole of it for each row.
const POSTGRES_WRITES: &str = "SET enable_seqscan = off";

pub(super) fn settings(engine: Engine, access: Access) -> &'static str {
    match (engine, access) {
        (Engine::Sqlite, Access::Read) => SQLITE_READS,
        (Engine::Sqlite, Access::Write | Access::Create) => SQLITE_SETTINGS,
        (Engine::Postgres, _) => POSTGRES_SETTINGS,
    }
}

async fn pools(
    engine: Engine,
    access: Access,
    options: AnyConnectOptions,
) -> Result<(AnyPool, AnyPool), StorageError> {
    let (writers, readers) = match engine {
        // One writer: SQLite has one at a time, and waiting in the pool is fair where its lock is not.
        Engine::Sqlite => (1, SQLITE_READERS),
        Engine::Postgres => (POSTGRES_WRITERS, POSTGRES_READERS),
    };
    let settings = settings(engine, access);
    let pool = |most: u32, besides: Option<&'static str>| {
        AnyPoolOptions::new()
            .max_connections(most)
            .acquire_timeout(BUSY_WAIT)
            .test_before_acquire(false)
            .idle_timeout(None)
            .max_lifetime(None)
            .before_acquire(move |connection, used| {
                Box::pin(async move {
                    if engine == Engine::Postgres && used.idle_for > ASKED_AFTER {
                        connection.ping().await?;
                    }
                    Ok(true)
                })
            })
            .after_release(|connection, _| Box::pin(is_outside_of_a_transaction(connection)))
            .after_connect(move |connection, _| {
                Box::pin(async move {
                    for text in [Some(settings), besides].into_iter().flatten() {
                        connection.execute(sqlx::raw_sql(text)).await?;
                    }
                    Ok(())
                })
            })
    };
    let besides = (engine == Engine::Postgres).then_some(POSTGRES_WRITES);
    let writers = pool(writers, besides).connect_with(options.clone()).await?;
    Ok((writers, pool(readers, None).connect_lazy_with(options)))
}

/// Whether a connection may go back into its pool. SQLite ends a transaction by itself where the disk is full or
/// fails, and its driver goes on counting it: no transaction would ever begin on that connection again, so that it is
/// thrown away. A transaction that was dropped is undone on the way here; the question waits for that.
async fn is_outside_of_a_transaction(connection: &mut AnyConnection) -> Result<bool, sqlx::Error> {
    if !connection.is_in_transaction() {
        return Ok(true);
    }
    connection.ping().await?;
    Ok(!connection.is_in_transaction())
}
