//! Where the shop is, and opening it.

use crate::exit_status::CliError;
use ledger::{Access, Ledger, SystemClock};
use std::sync::Arc;

/// The shop of whoever names none.
const DEFAULT: &str = "sqlite:shop.db";

/// A shop's address, if one was given.
#[derive(Clone, Debug)]
pub(crate) struct Place(pub(crate) Option<String>);

impl Place {
    /// The address, or that of the default shop.
    pub(crate) fn url(&self) -> &str {
        self.0.as_deref().unwrap_or(DEFAULT)
    }

    /// Opens the shop; says so if that made it.
    pub(crate) async fn open(&self, access: Access) -> Result<Ledger, CliError> {
        let ledger = Ledger::open(self.url(), access, Arc::new(SystemClock)).await?;
        if ledger.was_made() {
            let path = ledger.path().map(|p| p.display().to_string()).unwrap_or_default();
            let shop = ledger.shop();
            eprintln!(
                "fleecefold: there was no shop at {path}; a new one was made ({}, {}, weights in {})",
                shop.currency,
                shop.zone.name(),
                shop.unit.plural()
            );
        }
        Ok(ledger)
    }
}
