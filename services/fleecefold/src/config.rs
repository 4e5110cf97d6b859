//! Files as the command line names them: `-` is standard input.

use crate::exit_status::CliError;
use std::io;
use std::path::Path;
use sync::{Given, GivenLayout};

/// What standard input is called in reports, and its rejects after.
const STDIN_NAME: &str = "stdin";

/// Finds the file, or reads standard input to its end: a file is read more than once.
pub(crate) fn named(path: &Path) -> Result<Given, CliError> {
    if path == Path::new("-") {
        return Ok(Given::stream(io::stdin().lock(), STDIN_NAME, Some(Path::new(".")))?);
    }
    Ok(Given::file(path)?)
}

/// The layout that was named, if one was.
pub(crate) fn layout(path: Option<&Path>) -> Result<Option<GivenLayout>, CliError> {
    Ok(path.map(GivenLayout::read).transpose()?)
}
