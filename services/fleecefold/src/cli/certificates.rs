//! Arguments of `certificate`.

use crate::table::TableForm;
use clap::{Args, Subcommand};
use domain::ids::AccountId;

#[derive(Debug, Subcommand)]
pub(crate) enum CertificateCommand {
    /// List gift certificates, issued last first, by the end of their numbers
    List {
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// List what changed a gift certificate's balance, latest first
    History {
        #[command(flatten)]
        certificate: CertificateArg,
        /// Output format
        #[arg(long, value_enum, value_name = "FORM", default_value = "table")]
        format: TableForm,
    },
    /// Bring in a gift certificate from before the books were kept here, and print its new number
    BringIn {
        /// What is left on it, such as 25.00
        amount: String,
        /// Whom it is for
        #[arg(long, value_name = "NAME", default_value = "")]
        holder: String,
        /// Note, such as its old number
        #[arg(long, value_name = "TEXT", default_value = "")]
        note: String,
    },
    /// Give a gift certificate another number and print it; the old one can no longer be spent
    Renumber {
        #[command(flatten)]
        certificate: CertificateArg,
        /// Why
        #[arg(long, value_name = "TEXT")]
        reason: String,
    },
    /// End a gift certificate: what is left on it can no longer be spent. Many places restrict this
    End {
        #[command(flatten)]
        certificate: CertificateArg,
        /// Why
        #[arg(long, value_name = "TEXT")]
        reason: String,
        /// Confirm that this cannot be undone
        #[arg(long, required = true)]
        yes: bool,
    },
}

#[derive(Debug, Args)]
pub(crate) struct CertificateArg {
    /// ID, as `certificate list` shows it
    #[arg(value_name = "ID", value_parser = certificate)]
    pub(crate) id: AccountId,
}

fn certificate(text: &str) -> Result<AccountId, String> {
    text.parse().map_err(|error: domain::ids::NotAnId| error.to_string())
}
