//! Serving: connections, expiring holds, and shutdown.

mod connections;
mod timed_stream;

use crate::app::App;
use crate::edge::routes::router;
use crate::traffic::guard::Site;
use ledger::keeping::SweepPersonalData;
use ledger::shelf::SweepHolds;
use std::future::Future;
use std::net::SocketAddr;
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::task::JoinSet;

/// How often expired holds are ended. A sale ends those that are in its way at once; this only keeps the
/// shelf's figures and the online listings up to date.
const SWEEP_EVERY: Duration = Duration::from_secs(5);
/// The most sweeps in a row; each ends up to 200 lines and lets other writes in between.
const SWEEPS_AT_ONCE: usize = 20;
/// How long requests may take to finish after the program was told to stop.
const LAST_REQUESTS: Duration = Duration::from_secs(10);

/// Why the server does not start.
#[derive(Debug, thiserror::Error)]
pub enum ServeError {
    /// Other machines could reach it, and passwords would travel unencrypted.
    #[error(
        "{address} can be reached from other machines; tell its public address by --site https://…, behind a proxy \
         that speaks TLS, or serve on 127.0.0.1 or [::1]"
    )]
    NotLoopback {
        /// The address that was asked for.
        address: SocketAddr,
    },
    /// The listener does not report its address.
    #[error("the address that is listened at cannot be found out")]
    Address(#[source] std::io::Error),
}

/// Refuses an address that is not loopback, unless the shop is a site: without TLS in front of it, passwords
/// would travel over the network unencrypted. To be called before listening, so that the port is never open
/// even for a moment.
pub fn may_listen(address: SocketAddr, site: Option<&Site>) -> Result<(), ServeError> {
    let is_loopback = address.ip().to_canonical().is_loopback();
    if is_loopback || site.is_some() { Ok(()) } else { Err(ServeError::NotLoopback { address }) }
}

/// Serves until `shutdown`; then accepts no new connections, lets running requests finish for at most 10 s, and
/// returns. Refuses what [`may_listen`] refuses.
pub async fn serve<S>(listener: TcpListener, app: App, shutdown: S) -> Result<(), ServeError>
where
    S: Future<Output = ()> + Send + 'static,
{
    let address = listener.local_addr().map_err(ServeError::Address)?;
    may_listen(address, app.guard.site())?;
    let app = app.on_port(address.port());
    let mut helpers = JoinSet::new();
    helpers.spawn(sweep(app.clone()));
    let ending = app.ending.clone();
    let terms = connections::Terms {
        limits: app.limits,
        proxies: app.guard.proxies().clone(),
        ending: ending.subscribe(),
        router: router(app),
    };
    helpers.spawn(async move {
        shutdown.await;
        // Whatever would go on forever, such as streams of sales, ends by itself.
        ending.send_replace(true);
    });
    let mut open = connections::take(listener, terms).await;
    let last = async { while open.join_next().await.is_some() {} };
    if tokio::time::timeout(LAST_REQUESTS, last).await.is_err() {
        tracing::warn!("requests under way were given up at the end");
    }
    Ok(())
}

/// Ends expired holds until the future is dropped.
async fn sweep(app: App) {
    let mut ticks = tokio::time::interval(SWEEP_EVERY);
    loop {
        ticks.tick().await;
        app.meters.tidy();
        if let Err(failure) = sweep_once(&app).await {
            tracing::warn!(%failure, "holds that ran out could not be ended; they are tried again");
        }
    }
}

/// Ends the holds that have expired by now, and blanks personal data whose time is over.
pub(crate) async fn sweep_once(app: &App) -> Result<(), ledger::CommandError> {
    for _ in 0..SWEEPS_AT_ONCE {
        if !app.ledger.has_expired_holds().await? {
            break;
        }
        let ended = app.ledger.execute(None, &SweepHolds).await?;
        app.meters.swept(ended.answer);
    }
    for _ in 0..SWEEPS_AT_ONCE {
        if !app.ledger.has_personal_data_to_blank().await? {
            break;
        }
        app.ledger.execute(None, &SweepPersonalData).await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests;
