//! How far a long run has come, for a progress bar.

use std::io::{self, Read, Seek, SeekFrom};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};

/// Counters that a run raises and anybody can read.
#[derive(Debug, Default)]
pub struct Watch {
    done: AtomicU64,
    total: AtomicU64,
}

impl Watch {
    pub fn new() -> Arc<Self> {
        Arc::default()
    }

    /// How much is done, and of how much; the total is 0 while it is unknown.
    pub fn state(&self) -> (u64, u64) {
        (self.done.load(Ordering::Relaxed), self.total.load(Ordering::Relaxed))
    }

    pub(crate) fn expect(&self, total: u64) {
        self.total.store(total, Ordering::Relaxed);
    }

    pub(crate) fn at(&self, done: u64) {
        self.done.store(done, Ordering::Relaxed);
    }

    pub(crate) fn add(&self, more: u64) {
        self.done.fetch_add(more, Ordering::Relaxed);
    }
}

/// A reader that reports its position to a [`Watch`].
pub(crate) struct Watched<R> {
    inner: R,
    at: u64,
    watch: Arc<Watch>,
}

impl<R> Watched<R> {
    pub(crate) fn new(inner: R, watch: Arc<Watch>) -> Self {
        Self { inner, at: 0, watch }
    }
}

impl<R: Read> Read for Watched<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let read = self.inner.read(buffer)?;
        self.at += read as u64;
        self.watch.at(self.at);
        Ok(read)
    }
}

impl<R: Seek> Seek for Watched<R> {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        self.at = self.inner.seek(to)?;
        self.watch.at(self.at);
        Ok(self.at)
    }
}
