//! Tries what the Workbench would record.

use crate::shelf::workbench::{FinishPieces, PieceOutcome};
use crate::store::Ledger;
use crate::store::error::CommandError;

impl Ledger {
    /// Says what would become of the pieces, by the same rules, and records nothing.
    pub async fn try_pieces(&self, pieces: &FinishPieces) -> Result<Vec<PieceOutcome>, CommandError> {
        self.rehearse(pieces).await
    }
}
