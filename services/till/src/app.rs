//! What every handler can use.

pub(crate) mod order_files;

use crate::app::order_files::OrderFiles;
use crate::connection_adapter::ConnectionAdapter;
use crate::feed_adapter::FeedAdapter;
use crate::images::pictures::ImageProcessor;
use crate::meters::Meters;
use crate::meters::connections::ConnectionMeters;
use crate::problem::Problem;
use crate::security::secrets::Secrets;
use crate::security::tokens::TokenKeys;
use crate::traffic::client_address::{Proxies, ProxyNet};
use crate::traffic::gates::Gates;
use crate::traffic::guard::{Guard, Site};
use crate::traffic::limits::Limits;
use crate::traffic::watchers::Watchers;
use ledger::{Command, Done, Key, Ledger};
use std::fmt;
use std::sync::Arc;
use tokio::sync::watch;

/// The port of a Host without one (RFC 9110, 4.2.1).
const HTTP_PORT: u16 = 80;

/// The shop behind the pages and the API, and what requests share.
#[derive(Clone)]
pub struct App {
    pub(crate) ledger: Ledger,
    pub(crate) meters: Arc<Meters>,
    pub(crate) connection_meters: Arc<ConnectionMeters>,
    pub(crate) gates: Arc<Gates>,
    pub(crate) limits: Limits,
    pub(crate) guard: Arc<Guard>,
    pub(crate) image_processor: ImageProcessor,
    pub(crate) feed_adapter: Option<Arc<dyn FeedAdapter>>,
    pub(crate) connection_adapter: Option<Arc<dyn ConnectionAdapter>>,
    /// Files of orders that somebody is looking at.
    pub(crate) order_files: Arc<OrderFiles>,
    /// Who is watching how many sales.
    pub(crate) watchers: Arc<Watchers>,
    /// Becomes true when the program should stop, which ends what would otherwise go on forever.
    pub(crate) ending: Arc<watch::Sender<bool>>,
    pub(crate) secrets: Arc<Secrets>,
    pub(crate) keys: Option<Arc<TokenKeys>>,
}

impl fmt::Debug for App {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("App").field("ledger", &self.ledger).finish_non_exhaustive()
    }
}

impl App {
    /// For an open shop. Answers to loopback names at port 80, until [`App::on_port`] or
    /// [`serve`](crate::serve) sets the port.
    pub fn new(ledger: Ledger) -> Self {
        Self {
            ledger,
            meters: Arc::new(Meters::new()),
            connection_meters: Arc::new(ConnectionMeters::default()),
            gates: Arc::new(Gates::new()),
            limits: Limits::default(),
            guard: Arc::new(Guard::new(HTTP_PORT)),
            image_processor: ImageProcessor::new(),
            feed_adapter: None,
            connection_adapter: None,
            order_files: Arc::default(),
            watchers: Arc::default(),
            ending: Arc::new(watch::Sender::new(false)),
            secrets: Arc::new(Secrets::new()),
            keys: None,
        }
    }

    /// Adds an adapter for order feeds.
    #[must_use]
    pub fn with_feed_adapter(self, adapter: Arc<dyn FeedAdapter>) -> Self {
        Self { feed_adapter: Some(adapter), ..self }
    }

    /// Adds an adapter that knows how to talk to online shops.
    #[must_use]
    pub fn with_connection_adapter(self, adapter: Arc<dyn ConnectionAdapter>) -> Self {
        Self { connection_adapter: Some(adapter), ..self }
    }

    /// Answers to loopback names at this port, and to the site if there is one.
    #[must_use]
    pub fn on_port(self, port: u16) -> Self {
        let guard = Guard::clone(&self.guard).on_port(port);
        Self { guard: Arc::new(guard), ..self }
    }

    /// Also answers to the name of a site, so that other machines can reach it.
    #[must_use]
    pub fn with_site(self, site: Site) -> Self {
        let guard = Guard::clone(&self.guard).with_site(Some(site));
        Self { guard: Arc::new(guard), ..self }
    }

    /// Trusts these proxies about who is asking; from anybody else their headers mean nothing.
    #[must_use]
    pub fn with_proxies(self, nets: Vec<ProxyNet>) -> Self {
        let guard = Guard::clone(&self.guard).with_proxies(Proxies::new(nets));
        Self { guard: Arc::new(guard), ..self }
    }

    /// Keeps fewer connections open at once, if the system allows fewer files.
    #[must_use]
    pub fn with_most_connections(self, most: usize) -> Self {
        let connections = self.limits.connections.min(most);
        Self { limits: Limits { connections, ..self.limits }, ..self }
    }

    /// Adds the keys for the tokens of programs; without them, no token is accepted.
    #[must_use]
    pub fn with_keys(self, keys: Arc<TokenKeys>) -> Self {
        Self { keys: Some(keys), ..self }
    }

    /// Runs a command without a key, if it contains a password: a fast hash of the body is stored with a key,
    /// and would help to guess the password.
    pub(crate) async fn run_unkept<C: Command>(&self, command: &C) -> Result<C::Answer, Problem> {
        Ok(self.ledger.execute(None, command).await?.answer)
    }

    /// Runs a command under its key.
    pub(crate) async fn run<C: Command>(&self, key: &Key, command: &C) -> Result<Done<C::Answer>, Problem> {
        let done = self.ledger.answer(Some(key), command).await?;
        match done.answer {
            Ok(answer) => Ok(Done { answer, replayed: done.replayed }),
            Err(rejection) => Err(Problem::from(rejection).replayed(done.replayed)),
        }
    }
}
