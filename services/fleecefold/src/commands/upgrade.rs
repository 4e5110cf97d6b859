//! `fleecefold upgrade`

use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use ledger::Access;

/// Opening a shop to write brings its tables up to date; this is that and no more, for a database role that
/// owns the tables and does nothing else.
pub(super) async fn run(place: &Place) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Write).await?;
    eprintln!("the shop's tables are up to date (step {})", ledger.schema_step());
    ledger.close().await;
    Ok(Ending::Done)
}
