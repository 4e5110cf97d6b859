//! `fleecefold upgrade`

use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use ledger::Access;

/// Opening a shop for writing brings its tables up to date. This command does that and nothing more, for a
/// database role that owns the tables and is used for nothing else.
pub(super) async fn run(place: &Place) -> Result<Ending, CliError> {
    let ledger = place.open(Access::Write).await?;
    eprintln!("the shop's tables are up to date (step {})", ledger.schema_step());
    ledger.close().await;
    Ok(Ending::Done)
}
