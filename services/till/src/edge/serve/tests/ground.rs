//! A shop served at a port of its own, with limits short enough for a test.

use crate::edge::serve::{ServeError, serve};
use crate::testing::TestShop;
use crate::traffic::limits::{CallerKind, Limits, Pace};
use std::net::{Ipv4Addr, SocketAddr};
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;

/// The most time for something that normally takes a moment.
pub(super) const PATIENCE: Duration = Duration::from_secs(20);
/// A time that a test waits out.
pub(super) const SHORT: Duration = Duration::from_millis(300);

pub(super) async fn listener() -> TcpListener {
    TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.expect("a port")
}

pub(super) struct Open {
    pub(super) address: SocketAddr,
    stop: oneshot::Sender<()>,
    server: JoinHandle<Result<(), ServeError>>,
}

impl Open {
    pub(super) async fn new(shop: &TestShop) -> Self {
        Self::limited(shop, Limits::default()).await
    }

    pub(super) async fn limited(shop: &TestShop, limits: Limits) -> Self {
        let listener = listener().await;
        let address = listener.local_addr().expect("an address");
        let (stop, stopped) = oneshot::channel::<()>();
        let mut app = shop.app.clone();
        app.limits = limits;
        let server = tokio::spawn(serve(listener, app, async move {
            let _ = stopped.await;
        }));
        Self { address, stop, server }
    }

    pub(super) async fn close(self) {
        self.stop.send(()).expect("still serving");
        self.server.await.expect("no panic").expect("a clean end");
    }

    /// A connection on which a text was sent.
    pub(super) async fn send(&self, text: &str) -> TcpStream {
        let mut connection = TcpStream::connect(self.address).await.expect("a connection");
        connection.write_all(text.as_bytes()).await.expect("sent");
        connection
    }

    /// Everything that is answered to a text until the server closes.
    pub(super) async fn ask(&self, text: &str) -> String {
        rest(&mut self.send(text).await).await
    }

    /// A request on a connection of its own.
    pub(super) fn request(&self, line: &str, headers: &str, body: &str) -> String {
        let (address, length) = (self.address, body.len());
        format!(
            "{line} HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n{headers}Content-Length: {length}\r\n\r\n{body}"
        )
    }
}

/// Everything that still comes until the server closes; a broken connection counts as closed.
pub(super) async fn rest(connection: &mut TcpStream) -> String {
    let mut bytes = Vec::new();
    let read = connection.read_to_end(&mut bytes);
    let _ = tokio::time::timeout(PATIENCE, read).await.expect("an end within the time");
    String::from_utf8_lossy(&bytes).into_owned()
}

/// Limits with the same pace of bodies for everybody.
pub(super) fn paced(pace: Pace) -> Limits {
    let kinds = [CallerKind::Nobody, CallerKind::Person, CallerKind::Program];
    Limits { bodies: kinds.map(|kind| (kind, pace)), ..Limits::default() }
}
