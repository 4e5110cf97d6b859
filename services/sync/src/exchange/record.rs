//! Turns the ledger's rows into listings, and records what was sent.

use super::sheet::{Before, Line, Written};
use crate::pictures;
use domain::codes::{Code, Gtin};
use domain::ids::{ConnectionId, RunId};
use domain::item::ItemText;
use domain::quantity::Quantity;
use domain::stock::Availability;
use feeds::Listing;
use ledger::online::{Delivered, ListingRow, NewRun, RECORDED_AT_ONCE, RecordRun, RunKind};
use ledger::shelf::ItemView;
use ledger::{CommandError, Ledger, StorageError};
use std::time::Instant;

/// A row of the ledger as a line of a feed.
pub(crate) fn line(row: ListingRow, image_base: Option<&str>) -> Result<Line, CommandError> {
    let listing = Listing {
        sku: stored("item.sku", Code::parse(&row.sku))?,
        gtin: row.gtin.as_deref().map(|g| stored("item.gtin", Gtin::parse(g))).transpose()?,
        text: told(&row.text, image_base),
        weight: row.weight,
        price: row.price,
        availability: row.availability,
        inventory: Some(on_offer(row.availability, row.free)?),
        revision: row.revision,
    };
    let before = Before { state: row.state, hash: row.told_hash, revision: row.told_revision };
    Ok(Line { item: row.item, listing, images: row.text.images, hash: None, before })
}

/// An item as a listing, whether it is offered or not.
pub(crate) fn listing_of(item: &ItemView, image_base: Option<&str>) -> Result<Listing, CommandError> {
    let availability =
        Availability::of(item.on_hand.stock_units(), item.held.stock_units(), item.do_not_list);
    Ok(Listing {
        sku: stored("item.sku", Code::parse(&item.sku))?,
        gtin: item.gtin.as_deref().map(|g| stored("item.gtin", Gtin::parse(g))).transpose()?,
        text: told(&item.text, image_base),
        weight: item.weight,
        price: item.price,
        availability,
        inventory: Some(on_offer(availability, item.free())?),
        revision: item.revision,
    })
}

/// An item's text with its images where the online shop finds them.
fn told(text: &ItemText, image_base: Option<&str>) -> ItemText {
    let images = text.images.iter().map(|image| pictures::told(image, image_base)).collect();
    ItemText { images, ..text.clone() }
}

/// An item that is kept off a channel has no stock there, however much there is.
fn on_offer(availability: Availability, free: Quantity) -> Result<Quantity, CommandError> {
    match availability {
        Availability::InStock => Ok(free),
        _ => stored("item.on_hand", Quantity::from_stock_units(0, free.measure())),
    }
}

fn stored<T, E: std::fmt::Display>(what: &str, value: Result<T, E>) -> Result<T, CommandError> {
    value.map_err(|e| StorageError::Impossible { what: format!("{what}: {e}") }.into())
}

/// Records in the ledger what a run sent, in parts, and the run itself with the last part.
pub(crate) async fn record(
    ledger: &Ledger,
    connection: ConnectionId,
    (id, kind): (RunId, RunKind),
    file_name: &str,
    written: Written,
) -> Result<Option<RunId>, CommandError> {
    let Written { mut told, items, listings, file_hash, .. } = written;
    let last = told.split_off(told.len() - told.len() % RECORDED_AT_ONCE);
    record_told(ledger, connection, told).await?;
    let listings = i64::try_from(listings).unwrap_or(i64::MAX);
    let run = Some(NewRun { id, kind, listings, file_name: file_name.to_owned(), file_hash, items });
    Ok(ledger.execute(None, &RecordRun { connection, told: last, run }).await?.answer)
}

/// Records in the ledger what was sent, without a run.
pub(crate) async fn record_told(
    ledger: &Ledger,
    connection: ConnectionId,
    mut told: Vec<Delivered>,
) -> Result<(), CommandError> {
    let mut pace = ledger.pace().await?;
    while !told.is_empty() {
        let size = RECORDED_AT_ONCE.min(pace.rows()).min(told.len());
        let rest = told.split_off(size);
        let began = Instant::now();
        ledger.execute(None, &RecordRun { connection, told, run: None }).await?;
        pace.took(ledger, began.elapsed()).await?;
        told = rest;
    }
    Ok(())
}
