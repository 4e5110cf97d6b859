//! A connection with time limits for the other side: to send its request, and to read the answer.

use crate::traffic::limits::Limits;
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::net::TcpStream;
use tokio::time::{Sleep, sleep};

#[derive(Debug, Default)]
pub(super) struct Exchange {
    heads: AtomicUsize,
    is_answering: AtomicBool,
}

impl Exchange {
    /// A header was read. Until it is answered, only its body is waited for, which has its own pace.
    pub(super) fn begin(&self) {
        self.heads.fetch_add(1, Ordering::Relaxed);
        self.is_answering.store(true, Ordering::Relaxed);
    }

    /// The answer was written or given up.
    pub(super) fn end(&self) {
        self.is_answering.store(false, Ordering::Relaxed);
    }
}

#[derive(Debug)]
pub(super) struct TimedStream {
    inner: TcpStream,
    exchange: Arc<Exchange>,
    /// Headers that had been read when the clock was last checked.
    heads: usize,
    head: Clock,
    stall: Clock,
}

/// A timer that runs from when it is started until it is stopped.
#[derive(Debug)]
struct Clock {
    time: Duration,
    running: Option<Pin<Box<Sleep>>>,
}

impl Clock {
    fn new(time: Duration) -> Self {
        Self { time, running: None }
    }

    fn wind(&mut self) {
        let time = self.time;
        self.running.get_or_insert_with(|| Box::pin(sleep(time)));
    }

    fn stop(&mut self) {
        self.running = None;
    }

    fn is_over(&mut self, context: &mut Context<'_>) -> bool {
        self.running.as_mut().is_some_and(|timer| timer.as_mut().poll(context).is_ready())
    }
}

fn too_long(what: &'static str) -> io::Error {
    io::Error::new(io::ErrorKind::TimedOut, what)
}

impl TimedStream {
    /// The first header's time starts now; later ones' with their first byte.
    pub(super) fn new(inner: TcpStream, limits: &Limits, exchange: Arc<Exchange>) -> Self {
        let (mut head, stall) = (Clock::new(limits.head), Clock::new(limits.stall));
        head.wind();
        Self { inner, exchange, heads: 0, head, stall }
    }

    /// Gives up on a client that reads nothing.
    fn written<T>(&mut self, context: &mut Context<'_>, written: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.stall.stop();
            return written;
        }
        self.stall.wind();
        if self.stall.is_over(context) {
            return Poll::Ready(Err(too_long("the other side reads nothing of its answer")));
        }
        Poll::Pending
    }
}

impl AsyncRead for TimedStream {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let stream = &mut *self;
        let is_answering = stream.exchange.is_answering.load(Ordering::Relaxed);
        let heads = stream.exchange.heads.load(Ordering::Relaxed);
        if heads != stream.heads {
            stream.heads = heads;
            stream.head.stop();
        }
        let before = into.filled().len();
        let Poll::Ready(read) = Pin::new(&mut stream.inner).poll_read(context, into) else {
            if stream.head.is_over(context) {
                return Poll::Ready(Err(too_long("the other side does not say what it wants")));
            }
            return Poll::Pending;
        };
        if !is_answering && into.filled().len() > before {
            stream.head.wind();
        }
        Poll::Ready(read)
    }
}

impl AsyncWrite for TimedStream {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.inner).poll_write(context, bytes);
        self.written(context, written)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        parts: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.inner).poll_write_vectored(context, parts);
        self.written(context, written)
    }

    fn is_write_vectored(&self) -> bool {
        self.inner.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_flush(context)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        Pin::new(&mut self.inner).poll_shutdown(context)
    }
}
