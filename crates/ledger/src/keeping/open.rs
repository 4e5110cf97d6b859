//! Opens a shop with all its parts.

use crate::online::outbox::enqueue_listing_updates;
use crate::store::clock::Clock;
use crate::store::command::Follows;
use crate::store::engine::trouble_of;
use crate::store::storage_error::StorageError;
use crate::store::{Access, Ledger};
use std::sync::Arc;

const FOLLOWS: Follows = Follows { availability_changed: enqueue_listing_updates };

impl Ledger {
    /// Opens the shop at `sqlite:FILE` or `postgres://…`. Unless it is opened only for reading, its
    /// schema and its search texts are brought up to date.
    pub async fn open(url: &str, access: Access, clock: Arc<dyn Clock>) -> Result<Self, StorageError> {
        let ledger = Self::open_engine(url, access, clock, FOLLOWS).await?;
        if access != Access::Read {
            ledger.fold_items().await.map_err(trouble_of)?;
        }
        Ok(ledger)
    }
}
