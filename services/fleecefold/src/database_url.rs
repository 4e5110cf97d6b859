//! Where the shop's database is, and opening it.

use crate::exit_status::CliError;
use ledger::{Access, Ledger, SystemClock};
use std::sync::Arc;

/// Used when no `--db` is given.
const DEFAULT: &str = "sqlite:shop.db";

/// The value of `--db`, if it was given.
#[derive(Clone, Debug)]
pub(crate) struct Place(pub(crate) Option<String>);

impl Place {
    pub(crate) fn url(&self) -> &str {
        self.0.as_deref().unwrap_or(DEFAULT)
    }

    /// Opens the shop, and says so if that created it.
    pub(crate) async fn open(&self, access: Access) -> Result<Ledger, CliError> {
        let ledger = Ledger::open(self.url(), access, Arc::new(SystemClock)).await?;
        if ledger.was_made() {
            let path = ledger.path().map(|p| p.display().to_string()).unwrap_or_default();
            let shop = ledger.shop();
            eprintln!(
                "fleecefold: no shop at {path} yet; made a new one ({}, {}, weights in {})",
                shop.currency,
                shop.zone.name(),
                shop.unit.plural()
            );
        }
        Ok(ledger)
    }
}
