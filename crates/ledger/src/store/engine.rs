//! Opens a shop: which engine, which permissions, which connection settings.

use crate::store::actor::Actor;
use crate::store::begin::begin;
use crate::store::clock::Clock;
use crate::store::command::Follows;
use crate::store::database_url::DatabaseUrl;
use crate::store::error::CommandError;
use crate::store::lease::Lease;
use crate::store::postgres_notify::{self, Notices};
use crate::store::schema::{migrate, schema_step};
use crate::store::settings::{self, Shop};
use crate::store::shared_commit::Queue;
use crate::store::storage_error::StorageError;
use crate::store::writes::Writes;
use domain::day::Moment;
use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::pool::PoolConnection;
use sqlx::{Any, AnyConnection, AnyPool, Connection, Executor, Transaction};
use std::path::{Path, PathBuf};
use std::sync::{Arc, Once, OnceLock, RwLock};
use std::time::Duration;
use tokio::sync::watch;

/// How long a write waits for another one before the caller is told that the shop is busy.
pub(crate) const BUSY_WAIT: Duration = Duration::from_secs(5);
/// Readers per process on SQLite. They share the file's pages, so a few are enough; one of them
/// listens.
const SQLITE_READERS: u32 = 5;
/// Connections per process to PostgreSQL, for writing and for reading.
const POSTGRES_WRITERS: u32 = 16;
const POSTGRES_READERS: u32 = 9;

/// A connection that was idle for longer is tested before it is used, because a restarted server has
/// closed all of them. In a busy shop none is tested.
const ASKED_AFTER: Duration = Duration::from_millis(500);

/// What may be done with the shop.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Access {
    /// Reading and writing; the shop must exist.
    Write,
    /// Reading and writing; a missing SQLite file is created.
    Create,
    /// Only reading: takes no node number and changes no file.
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
    /// Whose limits apply if no key says so.
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
    /// Counts the commits of this process that gave somebody something to send or do.
    pub(crate) changes: watch::Sender<u64>,
    /// Tells other processes about them.
    pub(crate) notices: Notices,
    /// Whether the last write succeeded.
    pub(crate) writes: Writes,
    /// Where commands wait for the one writer of SQLite.
    pub(crate) queue: Queue,
    /// The folder of the pictures, if somebody set it.
    pub(crate) pictures: OnceLock<PathBuf>,
    path: Option<PathBuf>,
    made: bool,
}

impl Ledger {
    /// A transaction that only reads and sees the shop as it is at its first statement. On SQLite every
    /// read transaction in WAL mode does.
    pub(crate) async fn snapshot(&self) -> Result<Transaction<'static, Any>, CommandError> {
        let text = match self.inner.engine {
            Engine::Sqlite => "BEGIN DEFERRED",
            Engine::Postgres => "BEGIN TRANSACTION ISOLATION LEVEL REPEATABLE READ READ ONLY",
        };
        let mut snapshot = begin(&self.inner.readers, text).await?;
        if self.inner.engine == Engine::Postgres {
            snapshot.execute(sqlx::raw_sql(POSTGRES_READS_ALL)).await?;
        }
        Ok(snapshot)
    }

    /// Whether writers wait for the one before them from their beginning, so that none can wait for another's rows.
    pub(crate) fn has_one_writer(&self) -> bool {
        self.inner.engine == Engine::Sqlite
    }

    /// Opens the shop's database and, unless it is only read, brings its schema up to date.
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
        // A process id alone may also be in use on another machine.
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
            queue: Queue::default(),
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

    /// The same shop within somebody's limits, for work that takes many transactions.
    #[must_use]
    pub fn acting_for(&self, actor: Actor) -> Self {
        Self { actor: Some(Arc::new(actor)), ..self.clone() }
    }

    /// Whether opening created the file.
    pub fn was_made(&self) -> bool {
        self.inner.made
    }

    /// The file of a shop on SQLite.
    pub fn path(&self) -> Option<&Path> {
        self.inner.path.as_deref()
    }

    /// The current time, by the clock that it was opened with.
    pub fn now(&self) -> Moment {
        self.inner.clock.now()
    }

    /// The shop's settings as last read; every write checks that they are current.
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

    /// Changes whenever a commit of this process left something to send to a connection or to fetch
    /// from one. Commits of other processes count while [`Ledger::listen_for_commits`] runs.
    pub fn changes(&self) -> watch::Receiver<u64> {
        self.inner.changes.subscribe()
    }

    /// The schema's step: once the shop is open, the last one that this program knows.
    pub fn schema_step(&self) -> i64 {
        schema_step()
    }

    /// Returns the node number and closes the connections.
    pub async fn close(&self) {
        if let Some(lease) = &self.inner.lease {
            lease.give_back(&self.inner.writers, self.now()).await;
        }
        self.inner.writers.close().await;
        self.inner.readers.close().await;
    }

    /// A connection for reading.
    pub(crate) async fn reader(&self) -> Result<PoolConnection<Any>, CommandError> {
        Ok(self.inner.readers.acquire().await?)
    }

    /// Whether sales can be booked: the database answers and, if its last write failed because of the
    /// disk or the server, another one succeeds now. At most one per second is tried, however often
    /// somebody asks.
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

/// Settings of new connections on SQLite: WAL with synchronous=FULL, so that whatever is reported as
/// successful is on disk (law 7).
const SQLITE_SETTINGS: &str = "PRAGMA busy_timeout = 5000; PRAGMA journal_mode = WAL; \
    PRAGMA synchronous = FULL; PRAGMA foreign_keys = ON; PRAGMA cache_size = -16384; \
    PRAGMA temp_store = MEMORY; PRAGMA journal_size_limit = 67108864";
/// Only reading requires nothing that writes: the file or its folder may be read-only.
const SQLITE_READS: &str = "PRAGMA busy_timeout = 5000; PRAGMA foreign_keys = ON; PRAGMA cache_size = -16384; \
    PRAGMA temp_store = MEMORY";
/// On PostgreSQL: the answer waits for the disk (law 7), and locks are waited for as long as on SQLite.
/// No statement here runs long enough to be worth compiling: where a plan's estimated cost is high,
/// compiling took a hundred times as long as the statement.
const POSTGRES_SETTINGS: &str = "SET synchronous_commit = on; SET lock_timeout = '5s'; SET jit = off; \
    SET idle_in_transaction_session_timeout = '60s'; SET client_min_messages = warning; \
    SET default_transaction_isolation = 'read committed'";

/// For what reads the whole shop. PostgreSQL believes a table to be as small as when it was last analyzed, and
/// would read all of it for each row of another: after 100,000 changes, `check` took minutes.
const POSTGRES_READS_ALL: &str = "SET LOCAL enable_nestloop = off";

/// Additional settings for connections that write. A write finds its rows by an index. PostgreSQL only
/// knows a table as it was when last analyzed: one that fills up or turns over within a minute looks
/// empty to it, and it would read the whole table for each row.
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
        // One writer: SQLite has one at a time, and waiting in the pool is fair while its lock is not.
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

/// Whether a connection may return to its pool. SQLite ends a transaction by itself when the disk is
/// full or fails, but the driver goes on counting it, so no transaction could ever begin on that
/// connection again; it is closed instead. A dropped transaction is undone on the way here, and this
/// question waits for that.
async fn is_outside_of_a_transaction(connection: &mut AnyConnection) -> Result<bool, sqlx::Error> {
    if !connection.is_in_transaction() {
        return Ok(true);
    }
    connection.ping().await?;
    Ok(!connection.is_in_transaction())
}
