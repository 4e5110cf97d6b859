//! Where the keys of the tokens are.

use crate::cli::KeysArgs;
use crate::exit_status::CliError;
use ledger::Ledger;
use std::path::PathBuf;
use till::TokenKeys;

/// What is added to a SQLite file's name.
const ENDING: &str = ".keys";

/// The file: the one that was named, or that beside a SQLite file.
fn path(ledger: &Ledger, args: &KeysArgs) -> Option<PathBuf> {
    let beside = |path: &std::path::Path| {
        let mut name = path.as_os_str().to_owned();
        name.push(ENDING);
        PathBuf::from(name)
    };
    args.keys.clone().or_else(|| ledger.path().map(beside))
}

/// The keys, if it is known where; made if they are missing.
pub(super) fn open(ledger: &Ledger, args: &KeysArgs) -> Result<Option<TokenKeys>, CliError> {
    Ok(path(ledger, args).map(|path| TokenKeys::open(&path)).transpose()?)
}

/// The keys, which must be there to be worked with.
pub(super) fn must_open(ledger: &Ledger, args: &KeysArgs) -> Result<TokenKeys, CliError> {
    open(ledger, args)?.ok_or(CliError::NoKeys)
}
