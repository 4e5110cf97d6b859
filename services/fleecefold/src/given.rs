//! Files as the command line names them: `-` is standard input.

use crate::ending::CliError;
use std::io;
use std::path::Path;
use sync::{Given, GivenLayout};
use tempfile::NamedTempFile;

/// What standard input is called in reports, and its rejects after.
const STDIN_NAME: &str = "stdin";

/// A file that was named, kept for as long as it is needed.
pub(crate) struct Named {
    pub(crate) given: Given,
    /// Standard input, put on disk: a file is read more than once.
    _kept: Option<NamedTempFile>,
}

impl Named {
    /// Finds the file, or reads standard input to its end.
    pub(crate) fn find(path: &Path) -> Result<Self, CliError> {
        if path != Path::new("-") {
            return Ok(Self { given: Given::file(path)?, _kept: None });
        }
        let mut kept = NamedTempFile::new().map_err(CliError::Stdin)?;
        io::copy(&mut io::stdin().lock(), &mut kept).map_err(CliError::Stdin)?;
        let given = Given::put(kept.path(), STDIN_NAME, Some(Path::new(".")))?;
        Ok(Self { given, _kept: Some(kept) })
    }
}

/// The layout that was named, if one was.
pub(crate) fn layout(path: Option<&Path>) -> Result<Option<GivenLayout>, CliError> {
    Ok(path.map(GivenLayout::read).transpose()?)
}
