//! The exit code of a command, and the message when it fails.

use crate::demo::DemoError;
use domain::money::MoneyError;
use ledger::keeping::BackupError;
use ledger::{CommandError, StorageError};
use std::error::Error;
use std::io;
use std::net::SocketAddr;
use std::process::ExitCode;
use sync::connections::CheckError;
use sync::exchange::{FeedOutError, IntakeError};
use sync::{FolderError, GivenError};
use till::{KeysError, ServeError};

const REFUSED: u8 = 1;
const WRONG_USAGE: u8 = 2;
const SOME_REJECTED: u8 = 3;

/// How a command that ran to its end went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Ending {
    Done,
    /// Something that was checked is wrong.
    Broken,
    SomeRejected,
}

impl Ending {
    pub(crate) fn by_rejected(rejected: u64) -> Self {
        if rejected == 0 { Self::Done } else { Self::SomeRejected }
    }
}

impl From<Ending> for ExitCode {
    fn from(ending: Ending) -> Self {
        match ending {
            Ending::Done => Self::SUCCESS,
            Ending::Broken => Self::from(REFUSED),
            Ending::SomeRejected => Self::from(SOME_REJECTED),
        }
    }
}

/// Why a command stopped.
#[derive(Debug, thiserror::Error)]
pub(crate) enum CliError {
    #[error("the program cannot start its threads")]
    Runtime(#[source] io::Error),
    #[error(transparent)]
    Open(#[from] StorageError),
    #[error("{}", words::failure(.0))]
    Shop(#[from] CommandError),
    #[error(transparent)]
    Given(#[from] GivenError),
    #[error(transparent)]
    Intake(#[from] IntakeError),
    #[error(transparent)]
    FeedOut(#[from] FeedOutError),
    #[error("{text:?} is no amount: {source}")]
    Amount {
        text: String,
        #[source]
        source: MoneyError,
    },
    #[error("{}", backup_words(.0))]
    Backup(#[from] BackupError),
    #[error(transparent)]
    Demo(#[from] DemoError),
    #[error(transparent)]
    Serve(#[from] ServeError),
    #[error(transparent)]
    Folder(#[from] FolderError),
    #[error(
        "another program, perhaps this shop itself, is already listening on {address}; close it, or choose another port with --listen"
    )]
    PortTaken {
        address: SocketAddr,
        #[source]
        source: io::Error,
    },
    #[error("cannot listen on {address}: {source}; choose another address with --listen")]
    Listen {
        address: SocketAddr,
        #[source]
        source: io::Error,
    },
    #[error("the address that was chosen to listen on cannot be read")]
    Address(#[source] io::Error),
    #[error("{file} cannot be read: {source}")]
    Text {
        file: String,
        #[source]
        source: io::Error,
    },
    #[error("{file}, line {line}: {source}")]
    ErasedId {
        file: String,
        line: usize,
        #[source]
        source: domain::ids::NotAnId,
    },
    #[error("say until when the certificate must be kept with --keep-until, such as --keep-until 2030-12-31")]
    KeepUntil,
    #[error("{file}: {source}")]
    Connection {
        file: String,
        #[source]
        source: CheckError,
    },
    #[error(
        "this shop was made by `demo`, and its owner {owner} still has the password from the README; serve it without \
         --site, sign in, change the password under Your account, and then serve it with --site",
        owner = crate::demo::OWNER
    )]
    KnownPassword,
    #[error(transparent)]
    Keys(#[from] KeysError),
    #[error("this shop is not in a file; name the file for its token keys with --keys")]
    NoKeys,
    #[error("the password could not be read: {0}")]
    Password(#[source] io::Error),
    #[error("password: {0}")]
    WeakPassword(String),
    #[error("the two passwords differ; nothing was changed")]
    PasswordsDiffer,
    #[error("the password could not be hashed")]
    Hash,
    #[error("since: “{text}” is not a day; write it like 2026-06-01")]
    Since { text: String },
    #[error("standard output cannot be written: {0}")]
    Stdout(#[source] io::Error),
    #[error("the manual cannot be written to {folder}: {source}; choose another folder with --to")]
    Manual {
        folder: String,
        #[source]
        source: io::Error,
    },
    #[error("a total is too large to show")]
    Sum(#[from] domain::money::MoneyError),
}

fn backup_words(error: &BackupError) -> String {
    match error {
        BackupError::Shop(failure) => words::failure(failure),
        error => error.to_string(),
    }
}

impl CliError {
    fn code(&self) -> u8 {
        match self {
            Self::Open(StorageError::BadUrl { .. })
            | Self::Given(_)
            | Self::Intake(IntakeError::Given(_))
            | Self::FeedOut(FeedOutError::Given(_) | FeedOutError::Layout(_) | FeedOutError::LayoutForJson)
            | Self::Serve(ServeError::NotLoopback { .. })
            | Self::PortTaken { .. }
            | Self::Listen { .. }
            | Self::Text { .. }
            | Self::ErasedId { .. }
            | Self::KeepUntil
            | Self::Amount { .. }
            | Self::Connection { .. }
            | Self::NoKeys => WRONG_USAGE,
            _ => REFUSED,
        }
    }

    /// A reader that has seen enough, such as `head`, closes the pipe: not an error.
    fn is_closed_pipe(&self) -> bool {
        match self {
            Self::Stdout(e) | Self::FeedOut(FeedOutError::Stream(e)) => e.kind() == io::ErrorKind::BrokenPipe,
            _ => false,
        }
    }

    /// Prints the error on one line; its causes go to the log.
    pub(crate) fn tell(&self) -> ExitCode {
        if self.is_closed_pipe() {
            return ExitCode::from(REFUSED);
        }
        let words: Vec<String> = self.to_string().lines().map(|line| line.trim().to_owned()).collect();
        eprintln!("fleecefold: {}", words.join(" "));
        let mut source = self.source();
        while let Some(cause) = source {
            tracing::debug!(%cause, "behind it");
            source = cause.source();
        }
        ExitCode::from(self.code())
    }
}
