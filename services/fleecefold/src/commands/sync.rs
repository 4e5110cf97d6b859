//! `fleecefold sync connect | end | status | now | reread | test | again | put | id | deferred`

use super::WHO;
use crate::cli::{SyncArgs, SyncCommand};
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::random;
use crate::table::{Column, Table, TableForm};
use domain::codes::Code;
use domain::day::{Day, Moment};
use ledger::online::{ConnectionStatus, EndConnection, EnterOtherId, LiveConnection, SendAgain};
use ledger::rejection::Thing;
use ledger::{Access, Ledger, Rejection};
use std::fs::File;
use std::io::{self, Read, Write};
use std::path::{Path, PathBuf};
use sync::connections::{self, Limits, Live, NowDone, Secrets};

/// The most that is read of a text. A longer one is refused for its length and need not be read to its end.
const MOST_READ: u64 = 1 << 20;

const COLUMNS: [Column; 14] = [
    Column::words("name"),
    Column::words("channel"),
    Column::number("lagSeconds").headed("lag s"),
    Column::number("waiting"),
    Column::number("parked"),
    Column::number("sent"),
    Column::number("refused"),
    Column::number("ordersDeferred").headed("orders not imported"),
    Column::number("differences"),
    Column::words("lastContact").headed("last answer"),
    Column::words("quietUntil").headed("waits until"),
    Column::number("unsignedHooks").headed("unsigned hooks"),
    Column::words("troubleAt").headed("trouble at"),
    Column::words("lastTrouble").headed("last trouble"),
];
const DEFERRED: [Column; 5] = [
    Column::words("number"),
    Column::words("field"),
    Column::words("reason"),
    Column::words("since"),
    Column::number("tries"),
];
/// The most orders that are listed; `sync status` has the full count.
const MOST_DEFERRED: usize = 500;

pub(super) async fn run(place: &Place, args: SyncArgs) -> Result<Ending, CliError> {
    let access = match args.command {
        SyncCommand::Status { .. } | SyncCommand::Deferred { .. } => Access::Read,
        _ => Access::Write,
    };
    let ledger = place.open(access).await?;
    let folder = args.secrets.folder(&ledger);
    let done = match args.command {
        SyncCommand::Connect { name, file } => connect(&ledger, folder, name, &file).await,
        SyncCommand::End { name } => end(&ledger, name).await,
        SyncCommand::Status { format } => status(&ledger, format).await,
        SyncCommand::Now { name } => now(&ledger, folder, name.as_deref()).await,
        SyncCommand::Reread { name, since } => reread(&ledger, folder, &name, &since).await,
        SyncCommand::Test { name } => test(&ledger, folder, &name).await,
        SyncCommand::Again { name, code } => again(&ledger, &name, code).await,
        SyncCommand::Put { name, codes } => put(&ledger, &name, &codes).await,
        SyncCommand::Id { name, code, id } => enter_id(&ledger, &name, code, id).await,
        SyncCommand::Deferred { name, format } => deferred(&ledger, &name, format).await,
    };
    ledger.close().await;
    done
}

fn spoken(folder: Option<PathBuf>) -> Live {
    Live::new(Secrets::new(folder), Limits::default())
}

async fn named(ledger: &Ledger, name: &str) -> Result<LiveConnection, CliError> {
    let all = ledger.live_connections().await?;
    let found = all.into_iter().find(|one| one.name == name);
    found.ok_or_else(|| CliError::Shop(Rejection::no_such(Thing::LiveConnection, name).into()))
}

fn read(file: &Path) -> Result<String, CliError> {
    let failed = |source| CliError::Text { file: file.display().to_string(), source };
    let mut text = String::new();
    let read = if file == Path::new("-") {
        io::stdin().lock().take(MOST_READ).read_to_string(&mut text)
    } else {
        File::open(file).and_then(|opened| opened.take(MOST_READ).read_to_string(&mut text))
    };
    read.map_err(failed)?;
    Ok(text)
}

/// A text that cannot be used is not saved: it would fail later, with nobody there to see it.
async fn connect(
    ledger: &Ledger,
    folder: Option<PathBuf>,
    name: String,
    file: &Path,
) -> Result<Ending, CliError> {
    let text = read(file)?;
    let checked = connections::check_connection(&text)
        .map_err(|source| CliError::Connection { file: file.display().to_string(), source })?;
    let save = checked.save(&name, text, WHO);
    ledger.execute(None, &save).await?;
    eprintln!("{name} is connected; its orders count for the channel {}", checked.channel);
    let secrets = Secrets::new(folder);
    for wanting in checked.secrets.iter().filter_map(|secret| secrets.find(secret).err()) {
        eprintln!("{wanting}");
    }
    eprintln!(
        "try it with `fleecefold sync test {name}`, which changes nothing; `fleecefold serve` keeps it in sync"
    );
    Ok(Ending::Done)
}

async fn end(ledger: &Ledger, name: String) -> Result<Ending, CliError> {
    ledger.execute(None, &EndConnection { name: name.clone(), who: WHO.to_owned() }).await?;
    eprintln!("{name} is no longer connected; its listings stay as they are");
    Ok(Ending::Done)
}

/// Whole seconds since the oldest change that could be sent; 0 if the clock was set back since.
fn lag(status: &ConnectionStatus, now: Moment) -> Option<i64> {
    status.oldest_unsent.map(|since| (now.millis() - since.millis()).max(0) / 1000)
}

async fn status(ledger: &Ledger, form: TableForm) -> Result<Ending, CliError> {
    let statuses = ledger.connection_statuses().await?;
    if statuses.is_empty() {
        eprintln!("no shop is connected; connect one with `fleecefold sync connect NAME FILE`");
    }
    let (zone, now) = (ledger.shop().zone.clone(), ledger.now());
    // People read the shop's own time, programs read RFC 3339.
    let moment = |at: Option<Moment>| {
        at.map(|at| if form == TableForm::Table { zone.shown(at) } else { at.to_string() })
    };
    let row = |status: &ConnectionStatus| {
        vec![
            Some(status.name.clone()),
            Some(status.channel.clone()),
            lag(status, now).map(|lag| lag.to_string()),
            Some(status.waiting.to_string()),
            Some(status.parked.to_string()),
            Some(status.sent.to_string()),
            Some(status.refused.to_string()),
            Some(status.orders_deferred.to_string()),
            Some(status.differences.to_string()),
            moment(status.last_contact),
            moment(status.quiet_until),
            Some(status.unsigned_hooks.to_string()),
            moment(status.trouble_at),
            Some(status.last_trouble.replace(['\n', '\r'], " ")).filter(|words| !words.is_empty()),
        ]
    };
    let rows = statuses.iter().map(row).collect();
    Table { columns: COLUMNS.to_vec(), rows, total: None }.print(form)?;
    // Where more than one thing is wrong, list each with its own time.
    for status in statuses.iter().filter(|status| status.troubles.len() > 1) {
        for trouble in &status.troubles {
            eprintln!(
                "{}, {}, {}: {}",
                status.name,
                zone.shown(trouble.at),
                trouble.of.code(),
                trouble.words
            );
        }
    }
    Ok(Ending::Done)
}

async fn deferred(ledger: &Ledger, name: &str, form: TableForm) -> Result<Ending, CliError> {
    let of = named(ledger, name).await?;
    let orders = ledger.deferred_orders(of.id, MOST_DEFERRED).await?;
    if orders.is_empty() {
        eprintln!("every order from {name} was taken in");
    }
    let zone = ledger.shop().zone.clone();
    let since = |at: Moment| if form == TableForm::Table { zone.shown(at) } else { at.to_string() };
    let rows = orders.into_iter().map(|order| {
        vec![
            Some(order.number),
            Some(order.field).filter(|field| !field.is_empty()),
            Some(order.words.replace(['\n', '\r'], " ")),
            Some(since(order.kept)),
            Some(order.tries.to_string()),
        ]
    });
    Table { columns: DEFERRED.to_vec(), rows: rows.collect(), total: None }.print(form)?;
    Ok(Ending::Done)
}

async fn enter_id(ledger: &Ledger, name: &str, code: Code, id: String) -> Result<Ending, CliError> {
    let of = named(ledger, name).await?;
    let enter = EnterOtherId { connection: of.id, code, other_id: id.clone(), who: WHO.to_owned() };
    let sku = ledger.execute(None, &enter).await?.answer;
    eprintln!("{name} knows {sku} as {id}; messages about it use that id from now on");
    Ok(Ending::Done)
}

async fn now(ledger: &Ledger, folder: Option<PathBuf>, name: Option<&str>) -> Result<Ending, CliError> {
    let done = connections::now(ledger, &spoken(folder), name, random::number()).await?;
    Ok(done.iter().map(tell_now).fold(Ending::Done, worse))
}

/// Prints how it went, and returns how the command ends.
fn tell_now(done: &NowDone) -> Ending {
    let NowDone { name, sent, waiting, parked, orders_deferred, .. } = done;
    eprintln!(
        "{name}: messages sent: {sent}, waiting: {waiting}, needing attention: {parked}; orders needing attention: {orders_deferred}"
    );
    for words in &done.troubles {
        eprintln!("{name}: {words}");
    }
    if !done.is_all_done() {
        return Ending::Broken;
    }
    if done.needs_attention() { Ending::SomeRejected } else { Ending::Done }
}

fn worse(one: Ending, other: Ending) -> Ending {
    match (one, other) {
        (Ending::Broken, _) | (_, Ending::Broken) => Ending::Broken,
        (Ending::SomeRejected, _) | (_, Ending::SomeRejected) => Ending::SomeRejected,
        (Ending::Done, Ending::Done) => Ending::Done,
    }
}

/// A day begins at midnight in the shop's time zone.
fn moment(ledger: &Ledger, text: &str) -> Result<Moment, CliError> {
    if let Ok(day) = Day::parse(text) {
        return Ok(ledger.shop().zone.start_of(day));
    }
    Moment::parse_rfc3339(text).map_err(|_| CliError::Since { text: text.to_owned() })
}

async fn reread(
    ledger: &Ledger,
    folder: Option<PathBuf>,
    name: &str,
    since: &str,
) -> Result<Ending, CliError> {
    let since = moment(ledger, since)?;
    let done = connections::reread(ledger, &spoken(folder), (name, since), WHO, random::number()).await?;
    if done.troubles.is_empty() {
        eprintln!("{name}: orders since {} were read again", ledger.shop().zone.shown(since));
    }
    Ok(tell_now(&done))
}

async fn test(ledger: &Ledger, folder: Option<PathBuf>, name: &str) -> Result<Ending, CliError> {
    let tried = connections::try_connection(ledger, &spoken(folder), name).await?;
    let mut out = io::stdout().lock();
    let shown = (|| {
        for one in &tried.asked {
            writeln!(out, "{}: {}", one.what, one.words)?;
            for order in &one.understood {
                writeln!(out, "  {order}")?;
            }
        }
        for one in &tried.would_send {
            writeln!(out, "would send {} {} ({})", one.method, one.address, one.about)?;
            if !one.body.is_empty() {
                writeln!(out, "{}", one.body)?;
            }
        }
        out.flush()
    })();
    shown.map_err(CliError::Stdout)?;
    for words in tried.troubles.iter().chain(&tried.warnings) {
        eprintln!("{words}");
    }
    Ok(if tried.works() { Ending::Done } else { Ending::Broken })
}

async fn again(ledger: &Ledger, name: &str, code: Option<Code>) -> Result<Ending, CliError> {
    let of = named(ledger, name).await?;
    let again = SendAgain { connection: of.id, code, who: WHO.to_owned() };
    let count = ledger.execute(None, &again).await?.answer;
    eprintln!("{count} messages will be sent again");
    Ok(Ending::Done)
}

async fn put(ledger: &Ledger, name: &str, codes: &[Code]) -> Result<Ending, CliError> {
    let of = named(ledger, name).await?;
    let codes = Some(codes).filter(|codes| !codes.is_empty());
    let count = ledger.put_on_connection(of.id, codes, WHO).await?;
    eprintln!("{count} pieces will be listed on {name}");
    Ok(Ending::Done)
}
