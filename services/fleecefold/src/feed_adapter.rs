//! Connects the pages and the API to the feeds: reads uploads and writes listings.

use feeds::compare::Difference;
use feeds::{Feed, Format, Layout, LayoutError, Reading, preview};
use ledger::{Actor, Ledger};
use serde_json::{Value, json};
use std::io::{self, Write};
use std::path::PathBuf;
use std::sync::{Arc, Mutex, PoisonError};
use sync::exchange::{
    CompareRun, Destination, FeedOutError, FeedOutRun, IntakeError, OrdersReport, OrdersRun, OutFormat,
    RefusedRow, What, compare, feed_in, feed_out,
};
use sync::{Given, GivenLayout, Watch};
use till::{
    AdapterFuture, Compared, FeedAdapter, FeedFuture, FeedTrouble, GivenFile, LayoutFault, ListingDifference,
    OrderFileRun, OrdersTaken, Outgoing, Previewed, PreviewedRow, PutOut, WentOut,
};

/// The largest file that is made for a browser, some hundred thousand listings. Larger ones are written to
/// the folder or by the command line, and neither of these holds the file in memory.
const MAX_DOWNLOAD_BYTES: usize = 64 << 20;

/// Reads and writes feeds in the same way as the command line.
pub(crate) struct Feeds {
    pub(crate) ledger: Ledger,
    pub(crate) out_folder: Option<PathBuf>,
}

impl FeedAdapter for Feeds {
    fn take_orders(&self, name: String, bytes: Vec<u8>, dry_run: bool, by: Actor) -> FeedFuture<'_> {
        Box::pin(async move {
            // The format follows from the name's ending, and what comes this way is JSON.
            let name = if Format::of_name(&name) == Format::Csv { format!("{name}.json") } else { name };
            let given = put_down(&name, &bytes)?;
            let watch = Watch::new();
            let run = OrdersRun { given: &given, layout: None, past: false, dry_run, who: &by.who, watch };
            let ledger = self.ledger.acting_for(by.clone());
            Ok(shown(&feed_in(&ledger, &run).await.map_err(taken)?))
        })
    }

    fn take_order_file(&self, file: OrderFileRun) -> AdapterFuture<'_, OrdersTaken> {
        Box::pin(async move {
            let layout = file.layout.as_deref().map(given_layout).transpose()?;
            let given = Given::put(&file.path, &file.name, Some(&file.rejects))
                .map_err(|error| FeedTrouble::Other(Box::new(error)))?;
            let run = OrdersRun {
                given: &given,
                layout: layout.as_ref(),
                past: file.past,
                dry_run: file.dry_run,
                who: &file.by.who,
                watch: Watch::new(),
            };
            let ledger = self.ledger.acting_for(file.by.clone());
            let report = feed_in(&ledger, &run).await.map_err(taken)?;
            Ok(OrdersTaken {
                is_dry: report.dry_run,
                new: report.taken,
                changed: report.changed,
                known: report.known,
                rejected: report.rejected,
                filled: report.filled,
                held: report.held,
                short: report.short,
                refunds: report.refunds,
                unknown_status: report.unknown_status,
                refused: report.refused.into_iter().map(|row| row.reason).collect(),
                has_rejects_file: report.rejects_file.is_some(),
            })
        })
    }

    fn out_folder(&self) -> Option<String> {
        self.out_folder.as_ref().map(|folder| folder.display().to_string())
    }

    fn put_out(&self, out: PutOut) -> AdapterFuture<'_, WentOut> {
        Box::pin(async move {
            let layout = out.layout.as_deref().map(given_layout).transpose()?;
            let file = SharedFile::default();
            let to = match &self.out_folder {
                _ if out.download => Destination::Stream(Box::new(file.clone())),
                Some(folder) => Destination::Folder(folder.clone()),
                None => {
                    let words = "the program was started without a folder for feeds (--out-folder); download the file instead";
                    return Err(FeedTrouble::Unreadable(words.to_owned()));
                }
            };
            let what = match out.what {
                Outgoing::All => What::All,
                Outgoing::Changes => What::Changes,
                Outgoing::Again(run) => What::Again(run),
                Outgoing::Pieces(items) => What::Pieces(items.into()),
            };
            let layout = layout.as_ref();
            let run = FeedOutRun { what, format: OutFormat::Csv, layout, to, watch: Watch::new() };
            let report = feed_out(&self.ledger, run).await.map_err(went)?;
            let name = |path: PathBuf| path.file_name().map(|n| n.to_string_lossy().into_owned());
            Ok(WentOut {
                run: report.run,
                listings: report.listings,
                ended: report.ended,
                file: report.file.and_then(name),
                bytes: file.take(),
                missing: report
                    .missing
                    .into_iter()
                    .map(|m| (m.sku, format!("{}: {}", m.name, m.why)))
                    .collect(),
            })
        })
    }

    fn compare(&self, list: GivenFile, adopt: bool) -> AdapterFuture<'_, Compared> {
        Box::pin(async move {
            let layout = list.layout.as_deref().map(given_layout).transpose()?;
            let given = put_down(&list.name, &list.bytes)?;
            let run = CompareRun { given: &given, layout: layout.as_ref(), adopt, watch: Watch::new() };
            let report = compare(&self.ledger, &run).await.map_err(taken)?;
            Ok(Compared {
                listed: report.listed,
                differences: report.differences.iter().map(difference).collect(),
                rejected: report.rejected,
                refused: report.refused.into_iter().map(|row| row.reason).collect(),
                adopted: report.adopted,
            })
        })
    }

    fn read_layout(&self, text: &str) -> Result<String, LayoutFault> {
        let layout = Layout::parse(text).map_err(|error| fault(text, &error))?;
        Ok(layout.feed().to_string())
    }

    fn preview(&self, file: GivenFile, rows: usize) -> AdapterFuture<'_, Previewed> {
        Box::pin(async move {
            let shop = self.ledger.shop();
            let read = move || -> Result<Previewed, String> {
                let layout = match file.layout.as_deref() {
                    Some(text) => Layout::parse(text).map_err(|error| fault(text, &error).to_string())?,
                    None => Layout::built_in(Feed::Orders, Format::of_name(&file.name)),
                };
                let reading = Reading {
                    layout: &layout,
                    currency: shop.currency,
                    zone: &shop.zone,
                    file_hash: "preview",
                };
                let found =
                    preview(&file.bytes, reading, rows, file.cut).map_err(|error| error.to_string())?;
                let to_blame = |field| found.fields.iter().position(|name| Some(*name) == field);
                let row = |row: &feeds::PreviewRow| PreviewedRow {
                    line: row.line,
                    cells: row.cells.clone(),
                    refused: row.refused.clone(),
                    to_blame: to_blame(row.field),
                };
                Ok(Previewed {
                    feed: layout.feed().to_string(),
                    rows: found.rows.iter().map(row).collect(),
                    fields: found.fields.iter().map(|name| (*name).to_owned()).collect(),
                })
            };
            let read = tokio::task::spawn_blocking(read).await;
            read.map_err(|e| FeedTrouble::Other(Box::new(e)))?.map_err(FeedTrouble::Unreadable)
        })
    }
}

/// The report in the API's form: names in camelCase, numbers as text. There is no rejects file: the answer
/// lists what was rejected, and the sender has the original.
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
        "held": report.held.to_string(),
        "short": report.short.to_string(),
        "refunds": report.refunds.to_string(),
        "unknownStatus": report.unknown_status.to_string(),
        "refused": report.refused.iter().map(refused).collect::<Vec<_>>(),
    })
}

/// Stores an upload, whose size the edge has limited, in a temporary file without a name.
pub(crate) fn put_down(name: &str, bytes: &[u8]) -> Result<Given, FeedTrouble> {
    Given::stream(bytes, name, None).map_err(|e| FeedTrouble::Other(Box::new(e)))
}

fn given_layout(text: &str) -> Result<GivenLayout, FeedTrouble> {
    GivenLayout::parse(text).map_err(|error| FeedTrouble::Unreadable(fault(text, &error).to_string()))
}

/// TOML's own error message quotes several lines; a page has room for one.
fn fault(text: &str, error: &LayoutError) -> LayoutFault {
    let LayoutError::Toml { source } = error else {
        return LayoutFault { line: None, words: error.to_string() };
    };
    let before = source.span().and_then(|span| text.get(..span.start)).unwrap_or_default();
    let line = Some(before.matches('\n').count() + 1);
    LayoutFault { line, words: source.message().replace('\n', " ") }
}

fn difference(difference: &Difference) -> ListingDifference {
    let (what, here, there) = match difference {
        Difference::Gone { name, here, .. } => (name.clone(), here.code().to_owned(), "on offer".to_owned()),
        Difference::Unlisted { name, .. } => (name.clone(), "in stock".to_owned(), String::new()),
        Difference::Price { here, there, .. } => ("price".to_owned(), here.to_string(), there.to_string()),
        Difference::Text { field, here, there, .. } => ((*field).to_owned(), here.clone(), there.clone()),
        Difference::Stock { here, there, .. } => ("in stock".to_owned(), here.to_string(), there.to_string()),
        Difference::Unknown { name, .. } => (name.clone(), String::new(), "listed".to_owned()),
        Difference::Twice { .. } => (String::new(), String::new(), "listed twice".to_owned()),
    };
    ListingDifference { kind: difference.code(), sku: difference.sku().to_string(), what, here, there }
}

/// A file in memory that the feed writes and the adapter takes out.
#[derive(Clone, Default)]
struct SharedFile(Arc<Mutex<Vec<u8>>>);

impl SharedFile {
    fn take(&self) -> Vec<u8> {
        std::mem::take(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

impl Write for SharedFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut file = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        if file.len() + bytes.len() > MAX_DOWNLOAD_BYTES {
            let words =
                "too many listings for one download; use a folder (--out-folder), or `fleecefold feed out`";
            return Err(io::Error::other(words));
        }
        file.extend_from_slice(bytes);
        Ok(bytes.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

pub(crate) fn taken(error: IntakeError) -> FeedTrouble {
    match error {
        IntakeError::File { source, .. } => FeedTrouble::Unreadable(source.to_string()),
        IntakeError::Given(error) => FeedTrouble::Unreadable(error.to_string()),
        IntakeError::Ledger(failure) => FeedTrouble::Ledger(failure),
        IntakeError::Stopped { done, source } => {
            FeedTrouble::Stopped { done, source: Box::new(taken(*source)) }
        }
        other => FeedTrouble::Other(Box::new(other)),
    }
}

fn went(error: FeedOutError) -> FeedTrouble {
    match error {
        FeedOutError::Ledger(failure) => FeedTrouble::Ledger(failure),
        FeedOutError::Writer(error) => FeedTrouble::Other(Box::new(error)),
        // A folder that cannot be written or a layout that cannot write listings: the caller can correct
        // these.
        other => FeedTrouble::Unreadable(other.to_string()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::codes::Code;
    use domain::item::{ItemPricing, ItemStock, ItemText};
    use domain::limits::LimitName;
    use domain::money::{Currency, Money};
    use domain::people::Role;
    use domain::stock::ItemKind;
    use ledger::people::{LimitsOf, SetLimits};
    use ledger::shelf::{AddItems, NewItem};
    use ledger::{Access, SystemClock};
    use tempfile::TempDir;

    async fn adapter() -> (Feeds, TempDir) {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("shop.db").display());
        let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.expect("a shop");
        let item = |sku: &str| NewItem {
            text: ItemText { name: format!("Thing {sku}"), ..ItemText::default() },
            sku: Some(Code::parse(sku).expect("a code")),
            gtin: None,
            pricing: ItemPricing {
                price: Money::from_minor(4000, Currency::USD).ok(),
                ..ItemPricing::none(Currency::USD)
            },
            stock: ItemStock::of(ItemKind::Piece),
        };
        let items = AddItems { items: vec![item("HAT"), item("COWL")], who: String::new(), progress: None };
        ledger.execute(None, &items).await.expect("items");
        let out_folder = Some(folder.path().join("out"));
        (Feeds { ledger, out_folder }, folder)
    }

    fn file(name: &str, text: &str, layout: Option<&str>) -> GivenFile {
        let (name, bytes) = (name.to_owned(), text.as_bytes().to_vec());
        GivenFile { name, bytes, cut: false, layout: layout.map(str::to_owned) }
    }

    /// An order that a token may not sell is rejected, and the other orders of the feed are taken.
    #[tokio::test]
    async fn a_feed_keeps_within_the_limits_of_whoever_brings_it() {
        let (adapter, _folder) = adapter().await;
        let set = SetLimits {
            of: LimitsOf::Role(Role::Maker),
            values: vec![(LimitName::Channels, "market".to_owned())],
            who: String::new(),
        };
        adapter.ledger.execute(None, &set).await.expect("set");
        let order = |number: &str, sku: &str, channel: &str| {
            json!({"orderNumber": number, "orderDate": "2026-06-14", "sku": sku, "orderQuantity": "1",
                "price": "40.00", "channel": channel})
        };
        let feed =
            json!([order("1", "HAT", "online"), order("2", "COWL", "market")]).to_string().into_bytes();
        let by = |role| Actor { who: "Stall".to_owned(), role, token: None };
        let report = adapter.take_orders("a.json".to_owned(), feed.clone(), false, by(Role::Maker)).await;
        let report = report.expect("a report");
        assert_eq!((&report["taken"], &report["rejected"]), (&json!("1"), &json!("1")), "{report}");
        let reason = report["refused"][0]["reason"].as_str().expect("a reason");
        assert!(reason.contains("can sell only on market, not on online"), "{reason}");
        let report = adapter.take_orders("a.json".to_owned(), feed, false, by(Role::Owner)).await;
        assert_eq!(report.expect("a report")["taken"], "1");
    }

    #[tokio::test]
    async fn listings_go_into_the_folder_and_to_whoever_asks() {
        let (adapter, folder) = adapter().await;
        let changes = PutOut { what: Outgoing::Changes, layout: None, download: false };
        let went = adapter.put_out(changes.clone()).await.expect("a feed");
        assert_eq!((went.listings, went.run.is_some()), (2, true));
        let written = folder.path().join("out").join(went.file.expect("a file"));
        let text = std::fs::read_to_string(written).expect("the feed");
        assert!(text.contains("HAT,") && text.contains("COWL,"), "{text}");
        assert_eq!(adapter.put_out(changes).await.expect("nothing"), WentOut::default());
        let layout = "feed = \"listings\"\n[field.sku]\nfrom = \"Tag\"\n".to_owned();
        let all = PutOut { what: Outgoing::All, layout: Some(layout), download: true };
        let went = adapter.put_out(all).await.expect("a file");
        let text = String::from_utf8(went.bytes).expect("text");
        assert!(text.starts_with("Tag\r\n") || text.starts_with("Tag\n"), "{text}");
        assert_eq!(went.file, None);
        let wrong = PutOut { what: Outgoing::All, layout: Some("feed = ".to_owned()), download: true };
        let refused = adapter.put_out(wrong).await.expect_err("a wrong layout").to_string();
        assert!(refused.contains("line 1 of the layout"), "{refused}");
    }

    #[tokio::test]
    async fn a_list_is_compared_with_the_shelf() {
        let (adapter, _folder) = adapter().await;
        let list = file(
            "there.csv",
            "Tag,Cost\nHAT,45.00\nGHOST,9.00\n",
            Some(
                "feed = \"listings\"\n[field.sku]\nfrom = \"Tag\"\n[field.\"offers.price\"]\nfrom = \"Cost\"\n",
            ),
        );
        let found = adapter.compare(list, false).await.expect("compared");
        let mut kinds: Vec<String> =
            found.differences.iter().map(|d| format!("{} {} {}", d.kind, d.sku, d.there)).collect();
        kinds.sort();
        assert_eq!(kinds, ["price HAT 45.00", "unknown GHOST listed", "unlisted COWL "]);
        assert_eq!(found.listed, 2);
    }

    #[tokio::test]
    async fn a_layout_shows_the_first_rows_of_a_file() {
        let (adapter, _folder) = adapter().await;
        assert_eq!(
            adapter.read_layout("feed = \"listings\"\n[field.sku]\nfrom = \"Tag\"\n").as_deref(),
            Ok("listings")
        );
        let fault = adapter.read_layout("feed = \"listings\"\nfeet = 2\n").expect_err("no such key");
        assert_eq!(fault.line, Some(2), "{fault}");
        let layout =
            "feed = \"listings\"\n[field.sku]\nfrom = \"Tag\"\n[field.\"offers.price\"]\nfrom = \"Cost\"\n";
        let seen = adapter.preview(file("a.csv", "Tag,Cost\nHAT,45.00\nX,much\n", Some(layout)), 20).await;
        let seen = seen.expect("rows");
        assert_eq!(seen.fields, ["sku", "offers.price"]);
        assert_eq!(
            (seen.rows.len(), seen.rows[0].refused.is_none(), seen.rows[1].to_blame),
            (2, true, Some(1))
        );
    }
}
