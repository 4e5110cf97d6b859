//! `fleecefold completions | manual`: both are generated from the command line's own definition, so they
//! cannot fall behind it.

use crate::cli::Cli;
use crate::exit_status::{CliError, Ending};
use clap::CommandFactory;
use clap_complete::Shell;
use std::fs;
use std::io::{self, Write};
use std::path::Path;

const NAME: &str = "fleecefold";

pub(super) fn completions(shell: Shell) -> Result<Ending, CliError> {
    let mut script = Vec::new();
    clap_complete::generate(shell, &mut Cli::command(), NAME, &mut script);
    io::stdout().lock().write_all(&script).map_err(CliError::Stdout)?;
    Ok(Ending::Done)
}

pub(super) fn pages(to: &Path) -> Result<Ending, CliError> {
    let write = || {
        fs::create_dir_all(to)?;
        clap_mangen::generate_to(Cli::command(), to)?;
        fs::read_dir(to).map(Iterator::count)
    };
    let files = write().map_err(|source| CliError::Manual { folder: to.display().to_string(), source })?;
    eprintln!("wrote {files} manual pages to {}", to.display());
    Ok(Ending::Done)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_command_has_its_page() {
        let folder = tempfile::tempdir().unwrap();
        pages(folder.path()).unwrap();
        let main = fs::read_to_string(folder.path().join("fleecefold.1")).unwrap();
        for command in Cli::command().get_subcommands() {
            let page = folder.path().join(format!("{NAME}-{}.1", command.get_name()));
            assert!(page.is_file(), "{}", page.display());
            assert!(main.contains(command.get_name()), "{}", command.get_name());
        }
    }
}
