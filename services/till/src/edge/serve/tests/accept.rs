//! Errors from the system while accepting, and the limits on connections.

use super::ground::{Open, SHORT, listener, rest};
use crate::edge::routes::router;
use crate::edge::serve::connections::{Accept, Terms, take};
use crate::testing::TestShop;
use crate::traffic::limits::Limits;
use std::collections::VecDeque;
use std::io;
use std::net::SocketAddr;
use std::time::Instant;
use tokio::io::AsyncWriteExt;
use tokio::net::{TcpListener, TcpStream};

/// Too many open files in this process, in the system; an aborted connection; anything else (errno(3),
/// Linux).
const EMFILE: i32 = 24;
const ENFILE: i32 = 23;
const ECONNABORTED: i32 = 103;
const ENOMEM: i32 = 12;

/// Fails a few times before it succeeds.
struct Failing {
    errors: VecDeque<i32>,
    listener: TcpListener,
}

impl Accept for Failing {
    async fn next(&mut self) -> io::Result<(TcpStream, SocketAddr)> {
        match self.errors.pop_front() {
            Some(code) => Err(io::Error::from_raw_os_error(code)),
            None => self.listener.accept().await,
        }
    }
}

#[tokio::test]
async fn a_shop_that_ran_out_of_files_goes_on() {
    let shop = TestShop::open().await;
    let listener = listener().await;
    let address = listener.local_addr().expect("an address");
    let errors = [EMFILE, EMFILE, ENFILE, ECONNABORTED, ENOMEM].into();
    let limits = Limits { accept_rest: SHORT / 10, ..Limits::default() };
    let (end, ending) = tokio::sync::watch::channel(false);
    let terms = Terms {
        router: router(shop.app.clone().on_port(address.port())),
        limits,
        proxies: shop.app.guard.proxies().clone(),
        ending,
    };
    let began = Instant::now();
    let taking = tokio::spawn(take(Failing { errors, listener }, terms));
    let mut connection = TcpStream::connect(address).await.expect("a connection");
    let live = format!("GET /health/live HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    connection.write_all(live.as_bytes()).await.expect("sent");
    assert!(rest(&mut connection).await.starts_with("HTTP/1.1 200"));
    // Four of the five are followed by a pause.
    assert!(began.elapsed() >= 4 * (SHORT / 10), "{:?}", began.elapsed());
    end.send(true).expect("still taken");
    taking.await.expect("no panic");
}

#[tokio::test]
async fn one_connection_more_than_there_may_be_waits_for_its_place() {
    let shop = TestShop::open().await;
    let open = Open::limited(&shop, Limits { connections: 2, ..Limits::default() }).await;
    let held = [open.send("GET").await, open.send("GET").await];
    let live = open.request("GET /health/live", "", "");
    let mut waiting = open.send(&live).await;
    let early = tokio::time::timeout(SHORT, waiting.readable()).await;
    assert!(early.is_err(), "it was let in beside those that may be there");
    drop(held);
    assert!(rest(&mut waiting).await.starts_with("HTTP/1.1 200"));
    open.close().await;
}
