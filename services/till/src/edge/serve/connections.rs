//! Accepts connections: up to a limit in all and from one address, and in spite of errors from the system.

use super::timed_stream::{Exchange, TimedStream};
use crate::traffic::client_address::{ClientAddress, Proxies};
use crate::traffic::limits::Limits;
use axum::Router;
use axum::body::{Body, Bytes, HttpBody};
use axum::extract::ConnectInfo;
use axum::http::Request;
use http_body::{Frame, SizeHint};
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::{Service, service_fn};
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use std::collections::HashMap;
use std::future::Future;
use std::io::{self, ErrorKind};
use std::net::{IpAddr, SocketAddr};
use std::pin::{Pin, pin};
use std::sync::{Arc, Mutex, PoisonError};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{OwnedSemaphorePermit, Semaphore, watch};
use tokio::task::JoinSet;
use tokio::time::Instant;

/// The largest header block of a request: four times what proxies commonly accept (8 KiB; common practice,
/// no source).
const MAX_HEAD_BYTES: usize = 32 * 1024;
/// The buffer of a connection: a header block, and as much of a body.
const MAX_BUFFER_BYTES: usize = 2 * MAX_HEAD_BYTES;

pub(super) trait Accept: Send {
    fn next(&mut self) -> impl Future<Output = io::Result<(TcpStream, SocketAddr)>> + Send;
}

impl Accept for TcpListener {
    fn next(&mut self) -> impl Future<Output = io::Result<(TcpStream, SocketAddr)>> + Send {
        self.accept()
    }
}

#[derive(Clone)]
pub(super) struct Terms {
    pub(super) router: Router,
    pub(super) limits: Limits,
    pub(super) proxies: Proxies,
    /// Becomes true at shutdown.
    pub(super) ending: watch::Receiver<bool>,
}

/// Accepts connections until shutdown, and returns those that are still being answered.
pub(super) async fn take(mut from: impl Accept, terms: Terms) -> JoinSet<()> {
    let all = Arc::new(Semaphore::new(terms.limits.connections));
    let each = Arc::new(Each::default());
    let (mut full, mut refused) = (Rarely::new(&terms.limits), Rarely::new(&terms.limits));
    let mut ending = terms.ending.clone();
    let mut open = JoinSet::new();
    loop {
        while open.try_join_next().is_some() {}
        if all.available_permits() == 0
            && let Some(times) = full.now()
        {
            let most = terms.limits.connections;
            tracing::warn!(most, times, "as many connections are open as may be; others wait");
        }
        let next = async {
            // An error would mean a closed semaphore, and this one never is.
            let place = all.clone().acquire_owned().await.ok();
            (place, accepted(&mut from, &terms.limits, &mut refused).await)
        };
        let (place, (stream, peer)) = tokio::select! {
            next = next => next,
            () = over(&mut ending) => return open,
        };
        let peer_address = ClientAddress::new(peer.ip());
        let is_exempt = peer_address.is_loopback() || terms.proxies.trust(peer_address);
        let most = if is_exempt { usize::MAX } else { terms.limits.connections_each };
        let Some(own) = Each::take(&each, peer_address.network(), most) else {
            tracing::debug!(peer = %peer_address, most, "an address has as many connections as it may");
            continue;
        };
        open.spawn(talk(stream, peer, terms.clone(), (place, own)));
    }
}

/// The next connection, however long the system refuses: it does when too many files are open (EMFILE, ENFILE),
/// which passes.
async fn accepted(from: &mut impl Accept, limits: &Limits, refused: &mut Rarely) -> (TcpStream, SocketAddr) {
    loop {
        match from.next().await {
            Ok(connection) => return connection,
            // The client left before it was accepted: nothing is wrong here.
            Err(error) if is_of_the_other_side(error.kind()) => {
                tracing::debug!(%error, "a connection broke off");
            }
            Err(error) => {
                if let Some(times) = refused.now() {
                    tracing::error!(%error, times, "a connection could not be taken; it is tried on");
                }
                tokio::time::sleep(limits.accept_rest).await;
            }
        }
    }
}

fn is_of_the_other_side(kind: ErrorKind) -> bool {
    matches!(
        kind,
        ErrorKind::ConnectionAborted
            | ErrorKind::ConnectionReset
            | ErrorKind::ConnectionRefused
            | ErrorKind::Interrupted
    )
}

/// Answers the requests of one connection until it or the program ends.
async fn talk(
    stream: TcpStream,
    peer: SocketAddr,
    terms: Terms,
    _places: (Option<OwnedSemaphorePermit>, Own),
) {
    // An answer is one small packet; without this it would wait for the acknowledgement of the previous one.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "a connection stays with delays");
    }
    let Terms { router, limits, mut ending, .. } = terms;
    let exchange = Arc::new(Exchange::default());
    let io = TokioIo::new(TimedStream::new(stream, &limits, exchange.clone()));
    let router = TowerToHyperService::new(router);
    let service = service_fn(move |request: Request<Incoming>| {
        exchange.begin();
        let mut request = request.map(Body::new);
        request.extensions_mut().insert(ConnectInfo(peer));
        let (answer, exchange) = (router.call(request), Answering(exchange.clone()));
        async move { answer.await.map(|answer| answer.map(|body| Body::new(Tracked { body, _until: exchange }))) }
    });
    let connection = http1::Builder::new()
        .timer(TokioTimer::new())
        .header_read_timeout(limits.idle)
        .max_header_size(MAX_HEAD_BYTES)
        .max_buf_size(MAX_BUFFER_BYTES)
        .serve_connection(io, service);
    let mut connection = pin!(connection);
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = over(&mut ending) => {
            // The running request is answered; no other is read.
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(peer = %peer, %error, "a connection ended early");
    }
}

/// Waits for shutdown; a dropped sender counts as shutdown too.
async fn over(ending: &mut watch::Receiver<bool>) {
    let _ = ending.wait_for(|is_over| *is_over).await;
}

struct Answering(Arc<Exchange>);

impl Drop for Answering {
    fn drop(&mut self) {
        self.0.end();
    }
}

/// The body of an answer, which reports when it is done.
struct Tracked {
    body: Body,
    _until: Answering,
}

impl HttpBody for Tracked {
    type Data = Bytes;
    type Error = axum::Error;

    fn poll_frame(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Frame<Bytes>, axum::Error>>> {
        Pin::new(&mut self.body).poll_frame(context)
    }

    fn is_end_stream(&self) -> bool {
        self.body.is_end_stream()
    }

    fn size_hint(&self) -> SizeHint {
        self.body.size_hint()
    }
}

/// Connections by address; of IPv6, by the network of one home.
#[derive(Debug, Default)]
pub(super) struct Each(Mutex<HashMap<IpAddr, usize>>);

impl Each {
    /// A slot, if the address has fewer than `most`.
    pub(super) fn take(of: &Arc<Self>, address: IpAddr, most: usize) -> Option<Own> {
        let mut open = of.0.lock().unwrap_or_else(PoisonError::into_inner);
        let count = open.entry(address).or_default();
        if *count >= most {
            return None;
        }
        *count += 1;
        drop(open);
        Some(Own { of: Arc::clone(of), address })
    }
}

/// One address's slot, given back when dropped.
#[derive(Debug)]
pub(super) struct Own {
    of: Arc<Each>,
    address: IpAddr,
}

impl Drop for Own {
    fn drop(&mut self) {
        let mut open = self.of.0.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(count) = open.get_mut(&self.address) {
            *count -= 1;
            if *count == 0 {
                open.remove(&self.address);
            }
        }
    }
}

/// Logs something at most once in a while, however often it happens.
#[derive(Debug)]
struct Rarely {
    every: Duration,
    last: Option<Instant>,
    times: u64,
}

impl Rarely {
    fn new(limits: &Limits) -> Self {
        Self { every: limits.log_every, last: None, times: 0 }
    }

    /// How often it happened since it was last logged, if it is to be logged now.
    fn now(&mut self) -> Option<u64> {
        self.times += 1;
        if self.last.is_some_and(|last| last.elapsed() < self.every) {
            return None;
        }
        self.last = Some(Instant::now());
        Some(std::mem::take(&mut self.times))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_address_has_so_many_and_no_more() {
        let each = Arc::new(Each::default());
        let (one, other) = (IpAddr::from([192, 0, 2, 1]), IpAddr::from([192, 0, 2, 2]));
        let first = Each::take(&each, one, 2).expect("the first");
        let _second = Each::take(&each, one, 2).expect("the second");
        assert!(Each::take(&each, one, 2).is_none());
        assert!(Each::take(&each, other, 2).is_some());
        drop(first);
        assert!(Each::take(&each, one, 2).is_some());
        assert_eq!(each.0.lock().expect("a lock").len(), 1, "nobody is kept who is gone");
    }

    #[tokio::test]
    async fn what_happens_often_is_said_rarely() {
        tokio::time::pause();
        let mut rarely = Rarely::new(&Limits::default());
        assert_eq!((rarely.now(), rarely.now(), rarely.now()), (Some(1), None, None));
        tokio::time::advance(Duration::from_mins(1)).await;
        assert_eq!((rarely.now(), rarely.now()), (Some(3), None));
    }
}
