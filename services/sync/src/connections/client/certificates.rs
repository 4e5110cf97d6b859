//! Certificates that a connection trusts in addition to the system's.

use super::{ClientError, reason};
use reqwest::Certificate;
use std::fs::File;
use std::io::Read;
use std::path::Path;

/// The longest file with certificates: all of the usual ones together have a fourth of it.
const MAX_PEM_BYTES: u64 = 1 << 20;

/// Every certificate in a PEM file.
pub(super) fn read(path: &Path) -> Result<Vec<Certificate>, ClientError> {
    let wrong = |why: String| ClientError::CaFile { path: path.to_owned(), why };
    let mut pem = Vec::new();
    let read = File::open(path).and_then(|file| file.take(MAX_PEM_BYTES + 1).read_to_end(&mut pem));
    read.map_err(|e| wrong(e.to_string()))?;
    if pem.len() as u64 > MAX_PEM_BYTES {
        return Err(wrong(format!("it has more than {MAX_PEM_BYTES} bytes")));
    }
    let found = Certificate::from_pem_bundle(&pem).map_err(|e| wrong(reason(&e)))?;
    if found.is_empty() { Err(wrong("no certificate stands in it".to_owned())) } else { Ok(found) }
}
