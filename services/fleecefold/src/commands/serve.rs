//! `fleecefold serve`

use super::keys;
use crate::cli::{KeysArgs, Only, ServeArgs};
use crate::connection_adapter::Shops;
use crate::database_url::Place;
use crate::exit_status::{CliError, Ending};
use crate::feed_adapter::Feeds;
use crate::{demo, open_files, random, service_manager};
use ledger::{Access, Ledger};
use std::io::ErrorKind;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::sync::Arc;
use sync::Folders;
use till::{App, ProxyNet, Site};
use tokio::net::TcpListener;
use tokio::sync::watch;

/// The API's description, for programs.
const DESCRIPTION: &str = "/api/openapi.json";
/// The page where a new shop is set up.
const SET_UP: &str = "/setup";

pub(super) async fn run(place: &Place, args: ServeArgs) -> Result<Ending, CliError> {
    let watches = args.in_folder.is_some() || args.out_folder.is_some();
    let listener = match args.only {
        Some(Only::Sync) => None,
        _ => Some(listen(args.listen.listen, args.site.as_ref()).await?),
    };
    let ledger = place.open(Access::Create).await?;
    if args.site.is_some()
        && let Err(refused) = refuse_known_password(&ledger).await
    {
        ledger.close().await;
        return Err(refused);
    }
    args.pictures.tell(&ledger);
    let (end, stop) = until_told();
    let out_folder = args.out_folder.clone();
    let folders = match args.only {
        Some(Only::Till) => None,
        _ if !watches => None,
        _ => Some(Folders::new(ledger.clone(), args.in_folder, args.out_folder)?),
    };
    let shops = Arc::new(Shops::new(ledger.clone(), args.secrets.folder(&ledger)));
    let mut tasks = Vec::new();
    tasks.extend(folders.map(|folders| tokio::spawn(sync::serve(folders, told(stop.clone())))));
    if args.only != Some(Only::Till) {
        tasks.push(tokio::spawn(exchange(&ledger, &shops, stop.clone())));
    }
    tasks.push(tokio::spawn(service_manager::watch_over(ledger.clone(), stop.clone())));
    let served = if let Some(listener) = listener {
        let parts = Parts { keys: &args.keys, site: args.site, proxies: args.proxies, out_folder, shops };
        till(&ledger, listener, parts, stop).await
    } else {
        let what = if watches { "syncing online shops and watching folders" } else { "syncing online shops" };
        eprintln!("{what}; press Ctrl-C to stop");
        service_manager::ready();
        told(stop).await;
        Ok(())
    };
    // Without the pages the other parts would go on, and nobody would notice that the pages are gone.
    end.send_replace(true);
    for task in tasks {
        // Only a panic would be an error here, and it has been reported.
        let _ = task.await;
    }
    ledger.close().await;
    served.map(|()| Ending::Done)
}

/// The password of a demo shop is printed in the README, so nobody outside may use it to sign in.
async fn refuse_known_password(ledger: &Ledger) -> Result<(), CliError> {
    let owner = ledger.password_of(demo::OWNER).await?;
    if owner.is_some_and(|(_, kept)| till::is_hash_of_secret(&kept, demo::PASSWORD)) {
        return Err(CliError::KnownPassword);
    }
    Ok(())
}

/// Binds the address before a shop is opened or created for it.
pub(super) async fn listen(address: SocketAddr, site: Option<&Site>) -> Result<TcpListener, CliError> {
    till::may_listen(address, site)?;
    TcpListener::bind(address).await.map_err(|source| match source.kind() {
        ErrorKind::AddrInUse => CliError::PortTaken { address, source },
        _ => CliError::Listen { address, source },
    })
}

/// Syncs with the online shops until told to stop.
pub(super) fn exchange(
    ledger: &Ledger,
    shops: &Shops,
    stop: watch::Receiver<bool>,
) -> impl Future<Output = ()> + Send + use<> {
    sync::connections::serve(ledger.clone(), Arc::clone(&shops.live), random::number(), told(stop))
}

pub(super) struct Parts<'a> {
    pub(super) keys: &'a KeysArgs,
    pub(super) site: Option<Site>,
    pub(super) proxies: Vec<ProxyNet>,
    pub(super) out_folder: Option<PathBuf>,
    pub(super) shops: Arc<Shops>,
}

/// Serves the pages and the API until told to stop.
pub(super) async fn till(
    ledger: &Ledger,
    listener: TcpListener,
    parts: Parts<'_>,
    stop: watch::Receiver<bool>,
) -> Result<(), CliError> {
    let address = listener.local_addr().map_err(CliError::Address)?;
    let Parts { keys, site, proxies, out_folder, shops } = parts;
    let adapter = Feeds { ledger: ledger.clone(), out_folder };
    let app = App::new(ledger.clone()).with_feed_adapter(Arc::new(adapter)).with_connection_adapter(shops);
    let mut app = app.with_most_connections(open_files::room_for_connections());
    if let Some(keys) = keys::open(ledger, keys)? {
        app = app.with_keys(Arc::new(keys));
    }
    let public = site.as_ref().map(|site| format!(" and at {site}")).unwrap_or_default();
    eprintln!(
        "the shop is open at http://{address}/{public}; its API is described at {DESCRIPTION}; press Ctrl-C to close it"
    );
    let may_be_proxied = site.is_some() || !proxies.is_empty();
    if site.is_some() && proxies.is_empty() {
        eprintln!(
            "No proxy is named, so everybody who comes through one counts as one address. Name yours, for example with \
             --proxy 127.0.0.1."
        );
    }
    if let Some(site) = site {
        app = app.with_site(site);
    }
    app = app.with_proxies(proxies);
    if !ledger.has_people().await? {
        if may_be_proxied {
            eprintln!("Nobody can sign in yet. Add the owner with `fleecefold user add NAME --role owner`.");
        } else {
            eprintln!("nobody can sign in yet; set up the shop at http://{address}{SET_UP} on this machine");
        }
    }
    service_manager::ready();
    Ok(till::serve(listener, app, told(stop)).await?)
}

/// Becomes true when the program should stop: on Ctrl-C, on SIGTERM, or when one of its parts cannot go on.
pub(super) fn until_told() -> (Arc<watch::Sender<bool>>, watch::Receiver<bool>) {
    let (sender, receiver) = watch::channel(false);
    let sender = Arc::new(sender);
    let told = Arc::clone(&sender);
    tokio::spawn(async move {
        signal().await;
        service_manager::stopping();
        told.send_replace(true);
    });
    (sender, receiver)
}

async fn signal() {
    use tokio::signal::unix::{SignalKind, signal};
    let Ok(mut terminate) = signal(SignalKind::terminate()) else {
        let _ = tokio::signal::ctrl_c().await;
        return;
    };
    tokio::select! {
        _ = tokio::signal::ctrl_c() => {}
        _ = terminate.recv() => {}
    }
}

async fn told(mut stop: watch::Receiver<bool>) {
    // An error means that nobody can send any more, which is the end too.
    let _ = stop.wait_for(|stop| *stop).await;
}
