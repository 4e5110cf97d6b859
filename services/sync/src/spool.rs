//! Bytes that come once and are read more than once. They are stored in a file without a name, which disappears
//! with its last reader, whatever happens to the program.

use std::fs::File;
use std::io::{self, Read, Seek, SeekFrom, Write};
use std::sync::{Arc, Mutex, PoisonError};

/// The most that is stored of one stream: about ten years of a busy shop's orders.
pub const MAX_SPOOL_BYTES: u64 = 1 << 30;

/// The kept bytes.
#[derive(Clone, Debug)]
pub(crate) struct Spool {
    file: Arc<Mutex<File>>,
    pub(crate) length: u64,
}

impl Spool {
    /// Stores everything that comes; none if it is more than `limit` bytes.
    pub(crate) fn keep(stream: impl Read, limit: u64) -> io::Result<Option<Self>> {
        let mut file = tempfile::tempfile()?;
        let length = io::copy(&mut stream.take(limit.saturating_add(1)), &mut file)?;
        file.flush()?;
        Ok((length <= limit).then(|| Self { file: Arc::new(Mutex::new(file)), length }))
    }

    pub(crate) fn read(&self) -> SpoolReader {
        SpoolReader { spool: self.clone(), at: 0 }
    }
}

/// Reads the stored bytes from a position of its own.
pub(crate) struct SpoolReader {
    spool: Spool,
    at: u64,
}

impl Read for SpoolReader {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let mut file = self.spool.file.lock().unwrap_or_else(PoisonError::into_inner);
        file.seek(SeekFrom::Start(self.at))?;
        let read = file.read(buffer)?;
        self.at += read as u64;
        Ok(read)
    }
}

impl Seek for SpoolReader {
    fn seek(&mut self, to: SeekFrom) -> io::Result<u64> {
        let beyond = || io::Error::from(io::ErrorKind::InvalidInput);
        let at = match to {
            SeekFrom::Start(at) => Some(at),
            SeekFrom::Current(by) => self.at.checked_add_signed(by),
            SeekFrom::End(by) => self.spool.length.checked_add_signed(by),
        };
        self.at = at.ok_or_else(beyond)?;
        Ok(self.at)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_kept_is_read_by_several_at_once() {
        let spool = Spool::keep(&b"orders"[..], 6).expect("kept").expect("not too long");
        let (mut one, mut two) = (spool.read(), spool.read());
        let (mut first, mut second) = ([0; 3], String::new());
        one.read_exact(&mut first).expect("read");
        two.read_to_string(&mut second).expect("read");
        let mut rest = String::new();
        one.read_to_string(&mut rest).expect("read");
        assert_eq!((&first, second.as_str(), rest.as_str()), (b"ord", "orders", "ers"));
        one.rewind().expect("rewound");
        rest.clear();
        one.read_to_string(&mut rest).expect("read");
        assert_eq!(rest, "orders");
    }

    #[test]
    fn more_than_the_limit_is_not_kept() {
        assert!(Spool::keep(&b"orders"[..], 5).expect("read").is_none());
        assert!(Spool::keep(io::repeat(b'x'), 100_000).expect("read").is_none());
    }
}
