//! Files named on the command line; `-` is standard input.

use crate::exit_status::CliError;
use std::io;
use std::path::Path;
use sync::{Given, GivenLayout};

/// The name of standard input in reports, and the start of the name of its rejects file.
const STDIN_NAME: &str = "stdin";

/// Opens the file. Standard input is read to its end first, because a file is read more than once.
pub(crate) fn named(path: &Path) -> Result<Given, CliError> {
    if path == Path::new("-") {
        return Ok(Given::stream(io::stdin().lock(), STDIN_NAME, Some(Path::new(".")))?);
    }
    Ok(Given::file(path)?)
}

pub(crate) fn layout(path: Option<&Path>) -> Result<Option<GivenLayout>, CliError> {
    Ok(path.map(GivenLayout::read).transpose()?)
}
