//! Where the API hands over the feeds of orders that it is given.

use feeds::Format;
use ledger::Ledger;
use serde_json::{Value, json};
use std::io::Write;
use sync::exchange::{IntakeError, OrdersReport, OrdersRun, RefusedRow, feed_in};
use sync::{Given, Watch};
use tempfile::NamedTempFile;
use till::{FeedDesk, FeedFuture, FeedTrouble};

/// Who is written down as having brought a feed.
const WHO: &str = "api";

/// Takes feeds of orders in by the same way as files.
pub(crate) struct Desk(pub(crate) Ledger);

impl FeedDesk for Desk {
    fn take_orders(&self, name: String, bytes: Vec<u8>, dry_run: bool) -> FeedFuture<'_> {
        Box::pin(async move {
            let other = |e: std::io::Error| FeedTrouble::Other(Box::new(e));
            let mut kept = NamedTempFile::new().map_err(other)?;
            kept.write_all(&bytes).map_err(other)?;
            // The format is told by the name's ending, and what comes this way is JSON.
            let name = if Format::of_name(&name) == Format::Csv { format!("{name}.json") } else { name };
            let given = Given::put(kept.path(), &name, None).map_err(|e| FeedTrouble::Other(Box::new(e)))?;
            let watch = Watch::new();
            let run = OrdersRun { given: &given, layout: None, past: false, dry_run, who: WHO, watch };
            Ok(shown(&feed_in(&self.0, &run).await.map_err(trouble)?))
        })
    }
}

/// The report as the API writes everything: names in camelCase, numbers as text. There is no rejects
/// file: what was refused is told, and whoever sent it has it.
fn shown(report: &OrdersReport) -> Value {
    let refused =
        |row: &RefusedRow| json!({"line": row.line.to_string(), "field": row.field, "reason": row.reason});
    json!({
        "dryRun": report.dry_run,
        "taken": report.taken.to_string(),
        "known": report.known.to_string(),
        "changed": report.changed.to_string(),
        "rejected": report.rejected.to_string(),
        "filled": report.filled.to_string(),
        "short": report.short.to_string(),
        "refunds": report.refunds.to_string(),
        "refused": report.refused.iter().map(refused).collect::<Vec<_>>(),
    })
}

fn trouble(error: IntakeError) -> FeedTrouble {
    match error {
        IntakeError::File { source, .. } => FeedTrouble::Unreadable(source.to_string()),
        IntakeError::Ledger(failure) => FeedTrouble::Ledger(failure),
        other => FeedTrouble::Other(Box::new(other)),
    }
}
