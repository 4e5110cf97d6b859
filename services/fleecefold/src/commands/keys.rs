//! Where the keys of the tokens are.

use crate::cli::KeysArgs;
use crate::exit_status::CliError;
use ledger::Ledger;
use std::path::PathBuf;
use till::TokenKeys;

/// Added to the name of a SQLite file.
const ENDING: &str = ".keys";

/// The file that was named, or the one beside a SQLite file.
fn path(ledger: &Ledger, args: &KeysArgs) -> Option<PathBuf> {
    let beside = |path: &std::path::Path| {
        let mut name = path.as_os_str().to_owned();
        name.push(ENDING);
        PathBuf::from(name)
    };
    args.keys.clone().or_else(|| ledger.path().map(beside))
}

/// The keys, created if missing; none if nobody said where they are.
pub(super) fn open(ledger: &Ledger, args: &KeysArgs) -> Result<Option<TokenKeys>, CliError> {
    Ok(path(ledger, args).map(|path| TokenKeys::open(&path)).transpose()?)
}

/// Like [`open`], for a command that cannot work without them.
pub(super) fn must_open(ledger: &Ledger, args: &KeysArgs) -> Result<TokenKeys, CliError> {
    open(ledger, args)?.ok_or(CliError::NoKeys)
}
