//! A new shop for each test on each engine, and its end.

use crate::expected::Expected;
use domain::day::Moment;
use ledger::{Access, Clock, Command, CommandError, Ledger, ManualClock, Rejection};
use sqlx::any::{AnyConnectOptions, AnyPoolOptions};
use sqlx::pool::PoolConnection;
use sqlx::{Any, AnyPool, AssertSqlSafe};
use std::future::Future;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::str::FromStr;
use std::sync::Arc;
use testkit::{Engine, Ground, engines};

/// The tests' clock at the start: 2026-05-17T10:00Z, a Sunday.
pub(crate) const START: Moment = Moment::from_millis(1_779_012_000_000);
pub(crate) const MINUTE_MS: i64 = 60_000;
pub(crate) const HOUR_MS: i64 = 60 * MINUTE_MS;
pub(crate) const DAY_MS: i64 = 24 * HOUR_MS;

/// A shop of one test.
#[derive(Clone, Debug)]
pub(crate) struct Shop {
    pub(crate) engine: Engine,
    pub(crate) url: String,
    pub(crate) ledger: Ledger,
    pub(crate) clock: Arc<ManualClock>,
    raw: AnyPool,
}

/// A fresh shop.
pub(crate) async fn started(engine: Engine) -> (Shop, Ground) {
    let clock = Arc::new(ManualClock::at(START));
    let ground = Ground::new(engine);
    let ledger = open(&ground.url, clock.clone()).await;
    let raw = raw(&ground.url).await;
    (Shop { engine, url: ground.url.clone(), ledger, clock, raw }, ground)
}

/// Runs a test on each engine, in a new shop.
pub(crate) fn on_each<F, Fut>(test: F)
where
    F: Fn(Shop) -> Fut,
    Fut: Future<Output = ()>,
{
    let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build().unwrap();
    for engine in engines() {
        let (shop, _ground) = runtime.block_on(started(engine));
        let ended = catch_unwind(AssertUnwindSafe(|| runtime.block_on(test(shop.clone()))));
        runtime.block_on(shop.end());
        if let Err(panic) = ended {
            eprintln!("on {engine:?}");
            resume_unwind(panic);
        }
    }
}

async fn raw(url: &str) -> AnyPool {
    let options = AnyConnectOptions::from_str(url).unwrap();
    AnyPoolOptions::new().max_connections(1).connect_with(options).await.unwrap()
}

pub(crate) async fn open(url: &str, clock: Arc<dyn Clock>) -> Ledger {
    Ledger::open(url, Access::Create, clock).await.unwrap()
}

impl Shop {
    /// Ends its connections.
    pub(crate) async fn end(&self) {
        self.raw.close().await;
        self.ledger.close().await;
    }

    /// Runs a command that must succeed.
    pub(crate) async fn ok<C: Command>(&self, command: C) -> C::Answer {
        match self.ledger.execute(None, &command).await {
            Ok(done) => done.answer,
            Err(failure) => panic!("on {:?}: {}", self.engine, in_full(&failure)),
        }
    }

    /// Runs a command that must be refused and leave nothing behind.
    pub(crate) async fn refused<C: Command>(&self, command: C) -> Rejection {
        let before = crate::audit::fingerprint(self).await;
        let rejection = match self.ledger.execute(None, &command).await {
            Err(CommandError::Rejected(rejection)) => *rejection,
            Err(failure) => panic!("on {:?}: not refused but failed: {}", self.engine, in_full(&failure)),
            Ok(_) => panic!("on {:?}: not refused", self.engine),
        };
        let after = crate::audit::fingerprint(self).await;
        assert_eq!(before, after, "a refused command left something: {rejection}");
        rejection
    }

    /// Its own connection, bypassing the ledger, to inspect tables and to attack them.
    pub(crate) async fn raw(&self) -> PoolConnection<Any> {
        self.raw.acquire().await.unwrap()
    }

    /// Numbers read directly from the database: the first column of each row.
    pub(crate) async fn numbers(&self, statement: &str) -> Vec<i64> {
        let mut raw = self.raw().await;
        sqlx::query_scalar(AssertSqlSafe(statement.to_owned())).fetch_all(&mut *raw).await.unwrap()
    }

    pub(crate) async fn number(&self, statement: &str) -> i64 {
        let all = self.numbers(statement).await;
        assert_eq!(all.len(), 1, "{statement}");
        all[0]
    }
}

/// A failure with all its causes.
pub(crate) fn in_full(error: &dyn std::error::Error) -> String {
    let mut text = error.to_string();
    let mut source = error.source();
    while let Some(error) = source {
        text = format!("{text}: {error}");
        source = error.source();
    }
    text
}

/// The rejection's kind under its public name: `already-sold`.
pub(crate) fn kind(rejection: &Rejection) -> String {
    let value = serde_json::to_value(rejection).unwrap();
    value["refused"].as_str().unwrap().to_owned()
}

impl Shop {
    /// A command that must be refused as `expected` says: the kind, a colon, and part of the text.
    pub(crate) async fn refuses<C: Command>(&self, command: C, expected: Expected) {
        let rejection = self.refused(command).await;
        expected.check(&rejection, self.engine);
    }
}
