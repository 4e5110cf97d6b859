//! The shop's end of a connection, which can break like a pulled cable.

use axum::extract::connect_info::Connected;
use axum::serve::IncomingStream;
use std::io;
use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::task::{Context, Poll};
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::{TcpListener, TcpStream};

/// Breaks the connection of a request: nothing more is sent on it.
#[derive(Clone, Debug, Default)]
pub struct Breaker(Arc<AtomicBool>);

impl Breaker {
    pub(crate) fn break_off(&self) {
        self.0.store(true, Ordering::SeqCst);
    }

    fn check(&self) -> io::Result<()> {
        if self.0.load(Ordering::SeqCst) { Err(io::ErrorKind::ConnectionReset.into()) } else { Ok(()) }
    }
}

impl Connected<IncomingStream<'_, Door>> for Breaker {
    fn connect_info(stream: IncomingStream<'_, Door>) -> Self {
        stream.io().breaker.clone()
    }
}

#[derive(Debug)]
pub struct Door(pub TcpListener);

impl axum::serve::Listener for Door {
    type Io = Wire;
    type Addr = SocketAddr;

    async fn accept(&mut self) -> (Wire, SocketAddr) {
        // axum's own listener waits when the system has no more descriptors.
        let (stream, from) = axum::serve::Listener::accept(&mut self.0).await;
        // Answers are small: waiting for more to send at once would only slow them down. If the system
        // refuses this, they are slower.
        let _ = stream.set_nodelay(true);
        (Wire { stream, breaker: Breaker::default() }, from)
    }

    fn local_addr(&self) -> io::Result<SocketAddr> {
        self.0.local_addr()
    }
}

#[derive(Debug)]
pub struct Wire {
    stream: TcpStream,
    breaker: Breaker,
}

impl Drop for Wire {
    fn drop(&mut self) {
        if self.breaker.check().is_err() {
            // The other side gets a reset in place of a proper end. If that fails, it gets the proper end.
            let _ = self.stream.set_zero_linger();
        }
    }
}

impl AsyncRead for Wire {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        buffer: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_read(context, buffer)
    }
}

impl AsyncWrite for Wire {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        self.breaker.check()?;
        Pin::new(&mut self.stream).poll_write(context, bytes)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        self.breaker.check()?;
        Pin::new(&mut self.stream).poll_write_vectored(context, parts)
    }

    fn is_write_vectored(&self) -> bool {
        self.stream.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.stream).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        self.breaker.check()?;
        Pin::new(&mut self.stream).poll_shutdown(context)
    }
}
