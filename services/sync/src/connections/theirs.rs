//! What an online shop lists, as far as it was read, with its own ids.

use super::orders::PageError;
use feeds::connection::Pull;
use feeds::{ListedRow, Parsed, Reject, json_at};
use std::collections::HashMap;

/// The most listings of one reading: all of them are compared together and held in memory.
const MAX_LISTED: usize = 200_000;

/// What the shop lists, as far as it was read.
#[derive(Debug, Default)]
pub(super) struct Theirs {
    pub(super) rows: Vec<ListedRow>,
    /// Listings that cannot be read.
    pub(super) rejected: usize,
    /// The shop's own ids, by the key of the SKU.
    pub(super) ids: HashMap<String, String>,
}

impl Theirs {
    pub(super) fn add(&mut self, pull: &Pull, row: Result<Parsed<ListedRow>, Reject>) {
        let Ok(Parsed { value, rows, .. }) = row else {
            self.rejected += 1;
            return;
        };
        let id = pull.other_id.as_ref().and_then(|place| json_at(rows.iter().next()?, place));
        if let Some(id) = id {
            self.ids.insert(value.sku.key(), id);
        }
        self.rows.push(value);
    }

    pub(super) fn refuse_endless(&self) -> Result<(), PageError> {
        let why = "it has more listings than are compared at once";
        if self.rows.len() > MAX_LISTED {
            Err(PageError::Endless { what: "list of listings", why })
        } else {
            Ok(())
        }
    }
}
