//! `fleecefold demo`

use super::{books, serve, shelf};
use crate::cli::{DemoArgs, secrets_beside};
use crate::connection_adapter::Shops;
use crate::database_url::Place;
use crate::demo::{self, Photographs};
use crate::exit_status::{CliError, Ending};
use crate::table::TableForm;
use domain::day::Day;
use ledger::books::{BooksBy, BooksQuery};
use ledger::{Access, Clock, Ledger, StorageError, SystemClock};
use std::path::PathBuf;
use std::sync::Arc;
use std::time::Instant;

/// A file of its own, so that no real shop is ever filled with invented sales.
const DEFAULT: &str = "sqlite:demo.db";
/// Where the demo's secrets are if its database is not a file.
const SECRETS: &str = "demo.secrets";

pub(super) async fn run(place: &Place, args: DemoArgs) -> Result<Ending, CliError> {
    let place = Place(Some(place.0.clone().unwrap_or_else(|| DEFAULT.to_owned())));
    let listener = serve::listen(args.listen.listen, None).await?;
    let ledger = open(&place, args.as_of).await?;
    let by = BooksBy { month: true, channel: true, ..BooksBy::default() };
    println!("Months by channel:\n");
    books::show(&ledger, &BooksQuery { from: None, to: None, by }, TableForm::Table).await?;
    println!("\nSold out, and worth making next:\n");
    shelf::show(&ledger, true, TableForm::Table).await?;
    eprintln!("\n{}", demo::CAUTIONS);
    println!(
        "\nSign in as {} with the password “{}”; only a demo has a password that is known.\n",
        demo::OWNER,
        demo::PASSWORD
    );
    let secrets = ledger.path().map_or_else(|| PathBuf::from(SECRETS), secrets_beside);
    let shops = Arc::new(Shops::new(ledger.clone(), Some(secrets.clone())));
    let till = listener.local_addr().map_err(CliError::Address)?;
    // The pretend shop closes when this function ends.
    let village = demo::open_village(&ledger, &shops.live, &secrets, args.shop_listen, till).await?;
    // Another host name than the shop's, so that a browser keeps the cookies of the two apart.
    let online = village.base().replace("127.0.0.1", "localhost");
    eprintln!(
        "the pretend online shop is open at {online}/; what sells in one shop disappears from the other"
    );
    let (end, stop) = serve::until_told();
    let telling = tokio::spawn(serve::exchange(&ledger, &shops, stop.clone()));
    let parts = serve::Parts { keys: &args.keys, site: None, proxies: Vec::new(), out_folder: None, shops };
    let served = serve::till(&ledger, listener, parts, stop).await;
    end.send_replace(true);
    // Only a panic would be an error here, and it has been reported.
    let _ = telling.await;
    ledger.close().await;
    served.map(|()| Ending::Done)
}

async fn open(place: &Place, as_of: Option<Day>) -> Result<Ledger, CliError> {
    match Ledger::open(place.url(), Access::Write, Arc::new(SystemClock)).await {
        Ok(ledger) if demo::is_made(&ledger) => {
            eprintln!("the demo at {} already exists; delete it to start over", place.url());
            return Ok(ledger);
        }
        Ok(ledger) => ledger.close().await,
        Err(StorageError::NoShop { .. }) => {}
        Err(other) => return Err(other.into()),
    }
    let began = Instant::now();
    let as_of = match as_of {
        Some(day) => day,
        None => demo::zone()?.day_of(SystemClock.now()),
    };
    let made = demo::make(place.url(), as_of, Photographs::Drawn).await?;
    eprintln!(
        "made the demo at {} in {} ms: {} styles, {} items, {} past orders, {} sales, {} online orders, {} refunds",
        place.url(),
        began.elapsed().as_millis(),
        made.styles,
        made.items,
        made.past_orders,
        made.sales,
        made.orders,
        made.refunds
    );
    place.open(Access::Write).await
}
