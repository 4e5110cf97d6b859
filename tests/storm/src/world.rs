//! The house and the shop, set up for a storm.

use crate::connection::{self, HOOK_SECRET, NAME, SECRET};
use crate::drain::hook_status;
use crate::ground::Template;
use crate::plan::{Plan, START};
use crate::shops::{Backup, Shop, ShopKind};
use crate::{Doing, StormError, weather};
use axum::Router;
use axum::body::Bytes;
use axum::extract::State;
use axum::http::{HeaderMap, HeaderValue, StatusCode};
use axum::routing::post;
use domain::ids::{ConnectionId, HoldGroupId, RefundLineId, SaleId};
use fastrand::Rng;
use ledger::{Access, Command, CommandError, Ledger, ManualClock};
use std::collections::BTreeSet;
use std::net::Ipv4Addr;
use std::os::unix::fs::OpenOptionsExt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::AtomicI64;
use sync::connections::{Live, Secrets, take_hook};
use testkit::{Engine, Ground};
use tokio::net::TcpListener;
use tokio::task::JoinHandle;

/// A process of the house that syncs.
#[derive(Clone, Debug)]
pub(crate) struct Sender {
    pub(crate) ledger: Ledger,
    pub(crate) live: Arc<Live>,
}

/// An item that the house made.
#[derive(Clone, Debug)]
pub(crate) struct Good {
    pub(crate) sku: String,
    pub(crate) is_piece: bool,
    /// Sold by weight, in ounces.
    pub(crate) is_weighed: bool,
}

/// How much happened: a storm without events proves nothing.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Happened {
    pub(crate) sold: u64,
    pub(crate) refused: u64,
    pub(crate) bought: u64,
    pub(crate) deaths: u64,
    pub(crate) rounds: u64,
    pub(crate) short: u64,
    pub(crate) jumps: u64,
    pub(crate) put_back: u64,
    pub(crate) parked: u64,
}

#[derive(Debug)]
pub(crate) struct World {
    pub(crate) plan: Plan,
    pub(crate) dice: Rng,
    pub(crate) clock: Arc<ManualClock>,
    /// How far the house's clock is ahead of the true time, which the shop does not use.
    pub(crate) ahead_ms: Arc<AtomicI64>,
    pub(crate) senders: Vec<Sender>,
    pub(crate) shop: Shop,
    secrets: PathBuf,
    pub(crate) connection: ConnectionId,
    pub(crate) goods: Vec<Good>,
    /// Items that the shop sold before the house made them.
    pub(crate) promised: Vec<String>,
    pub(crate) sales: Vec<SaleId>,
    pub(crate) holds: Vec<HoldGroupId>,
    pub(crate) undecided: Vec<RefundLineId>,
    pub(crate) happened: Happened,
    pub(crate) backup: Option<Backup>,
    /// Orders that the shop has forgotten, or has in an earlier state, since it was restored.
    pub(crate) forgotten: BTreeSet<String>,
    /// How far the list of orders had been read when a clock last jumped.
    pub(crate) place_at_jump: Option<String>,
    /// Whether clocks jumped twice without a page of orders in between.
    pub(crate) jumped_unseen: bool,
    /// How far the clock moved while the shop still had something to act on.
    pub(crate) slack_ms: i64,
    door: JoinHandle<()>,
    _ground: Ground,
}

impl World {
    pub(crate) async fn begin(plan: Plan, dice: Rng, template: &Template) -> Result<Self, StormError> {
        let ground = template.copy();
        let clock = Arc::new(ManualClock::at(START));
        let secrets = ground.path("secrets");
        write_secrets(&secrets, plan.shop)?;
        let mut senders = Vec::new();
        for _ in 0..if plan.engine == Engine::Postgres { 2 } else { 1 } {
            let open = Ledger::open(&ground.url, Access::Write, Arc::<ManualClock>::clone(&clock));
            senders.push(Sender { ledger: open.await.doing("open the shop")?, live: new_live(&secrets) });
        }
        let first = senders.first().cloned().ok_or("nobody").doing("find a sender")?;
        let (hooks_to, door) = open_door(first.clone()).await?;
        let ahead_ms = Arc::new(AtomicI64::new(0));
        let (faults, secret) = (weather::calm(&plan), secret_of(plan.shop));
        let shop = Shop::open(&plan, (&clock, &ahead_ms), faults, (hooks_to, HOOK_SECRET), secret).await?;
        let text = connection::text(&plan, &shop.base());
        let checked = sync::connections::check_connection(&text).doing("read the connection")?;
        let save = checked.save(NAME, text, "owner");
        let connection = first.ledger.execute(None, &save).await.doing("save the connection")?.answer;
        Ok(Self {
            plan,
            dice,
            clock,
            ahead_ms,
            senders,
            shop,
            secrets,
            connection,
            goods: Vec::new(),
            promised: Vec::new(),
            sales: Vec::new(),
            holds: Vec::new(),
            undecided: Vec::new(),
            happened: Happened::default(),
            backup: None,
            forgotten: BTreeSet::new(),
            place_at_jump: None,
            jumped_unseen: false,
            slack_ms: 0,
            door,
            _ground: ground,
        })
    }

    /// The house's own process, with the counter.
    pub(crate) fn ledger(&self) -> &Ledger {
        &self.senders[0].ledger
    }

    /// Runs a command that may be rejected: somebody else may have been faster, or nothing is left.
    pub(crate) async fn try_to<C: Command>(&mut self, command: &C) -> Result<Option<C::Answer>, StormError> {
        match self.ledger().execute(None, command).await {
            Ok(done) => Ok(Some(done.answer)),
            Err(CommandError::Rejected(_)) => {
                self.happened.refused += 1;
                Ok(None)
            }
            Err(failure) => Err(failure).doing("run a command"),
        }
    }

    /// A process that replaces a crashed one knows only what the database has.
    pub(crate) fn forget(&mut self, sender: usize) {
        if let Some(sender) = self.senders.get_mut(sender) {
            sender.live = new_live(&self.secrets);
        }
    }

    pub(crate) async fn end(self) {
        self.door.abort();
        for sender in &self.senders {
            sender.ledger.close().await;
        }
    }
}

fn new_live(secrets: &Path) -> Arc<Live> {
    Arc::new(Live::new(Secrets::new(Some(secrets.to_owned())), weather::LIMITS))
}

/// The secret that the shop requires.
fn secret_of(shop: ShopKind) -> &'static str {
    if matches!(shop, ShopKind::Lots | ShopKind::Plates) { connection::USER_SECRET } else { SECRET }
}

fn write_secrets(folder: &Path, shop: ShopKind) -> Result<(), StormError> {
    std::fs::create_dir(folder).doing("make the folder of secrets")?;
    for (name, secret) in
        [(connection::secret_name(shop), secret_of(shop)), (connection::hook_name(shop), HOOK_SECRET)]
    {
        let mut options = std::fs::OpenOptions::new();
        let file = options.write(true).create_new(true).mode(0o600).open(folder.join(name));
        std::io::Write::write_all(&mut file.doing("write a secret")?, secret.as_bytes())
            .doing("write a secret")?;
    }
    Ok(())
}

/// Where webhooks arrive: as the till does it, without the till.
async fn open_door(sender: Sender) -> Result<(String, JoinHandle<()>), StormError> {
    async fn hook(State(sender): State<Sender>, headers: HeaderMap, body: Bytes) -> StatusCode {
        let text = |value: &HeaderValue| String::from_utf8_lossy(value.as_bytes()).into_owned();
        let headers: Vec<_> = headers.iter().map(|(name, value)| (name.to_string(), text(value))).collect();
        hook_status(&take_hook(&sender.ledger, &sender.live, NAME, &headers, &body).await)
    }
    let listener = TcpListener::bind((Ipv4Addr::LOCALHOST, 0)).await.doing("open the door for hooks")?;
    let address = listener.local_addr().doing("open the door for hooks")?;
    let routes = Router::new().route("/hooks/village", post(hook)).with_state(sender);
    let door = tokio::spawn(async move {
        // It ends with the storm.
        let _ = axum::serve(listener, routes).await;
    });
    Ok((format!("http://{address}/hooks/village"), door))
}
