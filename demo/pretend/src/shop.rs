//! The shop, open on a loopback address, and what a test or the demo can do with it.

use crate::api;
use crate::book::{Backup, Book, Bought, NotBought, Remembered};
use crate::faults::{Fault, Faults};
use crate::goods::Shown;
use crate::hooks::{HooksTo, Messenger};
use crate::pages;
use crate::passing::{self, Faulty};
use crate::time::{Now, machine_clock};
use crate::trouble::PretendError;
use crate::wire::{Breaker, Door};
use axum::Router;
use axum::extract::DefaultBodyLimit;
use rust_decimal::Decimal;
use std::io::ErrorKind;
use std::net::{Ipv4Addr, SocketAddr};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;
use tokio::net::TcpListener;
use tokio::sync::{Notify, watch};
use tokio::task::JoinHandle;

/// The largest request, in bytes: fifty listings with long texts are far smaller.
const MAX_BODY: usize = 4 * 1024 * 1024;
/// How often to check whether a hook is due, besides when one is added.
const HOOKS_LOOKED_AT: Duration = Duration::from_millis(200);
/// The port for `demo`, unless somebody says otherwise. Invented.
const USUAL_PORT: u16 = 8441;
/// Invented: any number will do.
const FIRST_ORDER: u64 = 640;

#[derive(Clone, Debug)]
pub struct Options {
    /// A loopback address; port 0 takes any free one.
    pub listen: SocketAddr,
    /// The bearer token that programs must send; none lets everybody in.
    pub secret: Option<String>,
    pub hooks: Option<HooksTo>,
    /// What goes wrong from the start.
    pub faults: Faults,
    pub seed: u64,
    /// A shop that is opened again must not repeat the numbers of an earlier one.
    pub first_order: u64,
    pub clock: Now,
}

impl Default for Options {
    fn default() -> Self {
        Self {
            listen: (Ipv4Addr::LOCALHOST, USUAL_PORT).into(),
            secret: None,
            hooks: None,
            faults: Faults::default(),
            seed: 1,
            first_order: FIRST_ORDER,
            clock: machine_clock(),
        }
    }
}

/// What programs asked of the shop so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts {
    pub requests: u64,
    /// Of them, those that met a fault.
    pub faults: u64,
    /// Messages that were taken.
    pub taken: u64,
    /// Messages that were refused because a later one was here.
    pub stale: u64,
    /// Messages that got their earlier answer, by their key.
    pub replayed: u64,
    /// Requests for the list of orders.
    pub asked_for_orders: u64,
    /// Hooks that were answered with success.
    pub hooks: u64,
    /// Slow requests that are still to be acted on.
    pub still_to_act: u64,
}

#[derive(Clone, Debug)]
pub(crate) struct Shared(Arc<Inner>);

#[derive(Debug)]
struct Inner {
    book: Mutex<Book>,
    secret: Option<String>,
    /// Tells the pages that something changed.
    edition: watch::Sender<u64>,
    hooks_wait: Notify,
    messenger: Option<Messenger>,
}

impl Shared {
    pub(crate) fn book(&self) -> MutexGuard<'_, Book> {
        self.0.book.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn secret(&self) -> Option<&str> {
        self.0.secret.as_deref()
    }

    /// Called after a change: pages draw themselves again and hooks are checked.
    pub(crate) fn tell(&self) {
        let edition = self.book().goods.edition();
        self.0.edition.send_replace(edition);
        self.0.hooks_wait.notify_one();
    }

    pub(crate) fn editions(&self) -> watch::Receiver<u64> {
        self.0.edition.subscribe()
    }

    /// Changes the book, and tells everybody.
    pub(crate) fn change<A>(&self, change: impl FnOnce(&mut Book) -> A) -> A {
        let done = change(&mut self.book());
        self.tell();
        done
    }

    /// Sends what is due; returns how many hooks were answered with success.
    async fn send_hooks(&self) -> usize {
        let Some(messenger) = &self.0.messenger else { return 0 };
        let (due, now) = {
            let mut book = self.book();
            let (faults, now) = (book.faults().clone(), book.true_now());
            (book.outbound.take_due(now, &faults), book.now())
        };
        let mut well = 0;
        for hook in due {
            if messenger.send(&hook, now).await {
                well += 1;
                self.book().counts.hooks += 1;
            } else {
                let mut book = self.book();
                let now = book.true_now();
                book.outbound.try_later(hook, now);
            }
        }
        well
    }

    async fn keep_sending(self) {
        loop {
            self.send_hooks().await;
            // A clock that is set from outside wakes nobody, so it is checked now and then.
            let _ = tokio::time::timeout(HOOKS_LOOKED_AT, self.0.hooks_wait.notified()).await;
        }
    }
}

impl Faulty for Shared {
    fn meets(&self, address: &str) -> Option<Fault> {
        let mut book = self.book();
        book.counts.requests += 1;
        let faults = book.faults().clone();
        let met = book.visits.fault(&faults, address);
        book.counts.faults += u64::from(met.is_some());
        met
    }

    fn slow(&self, more: i64) {
        let counts = &mut self.book().counts;
        counts.still_to_act = counts.still_to_act.saturating_add_signed(more);
    }
}

#[derive(Debug)]
pub struct Shop;

impl Shop {
    pub async fn start(options: Options) -> Result<Running, PretendError> {
        let address = options.listen;
        if !address.ip().is_loopback() {
            return Err(PretendError::NotLoopback(address));
        }
        let listen = |source: std::io::Error| match source.kind() {
            ErrorKind::AddrInUse => PretendError::PortTaken { address, source },
            _ => PretendError::Listen { address, source },
        };
        let listener = TcpListener::bind(address).await.map_err(listen)?;
        let address = listener.local_addr().map_err(listen)?;
        let messenger = options.hooks.map(Messenger::new).transpose().map_err(PretendError::HooksTo)?;
        let sends = messenger.as_ref().is_some_and(Messenger::by_itself);
        let mut book = Book::new(options.clock, options.seed, options.first_order, messenger.is_some());
        book.set_faults(options.faults);
        let shop = Shared(Arc::new(Inner {
            book: Mutex::new(book),
            secret: options.secret,
            edition: watch::Sender::new(0),
            hooks_wait: Notify::new(),
            messenger,
        }));
        let routes = router(&shop).into_make_service_with_connect_info::<Breaker>();
        let mut tasks = vec![tokio::spawn(async move {
            // It ends only with the task.
            let _ = axum::serve(Door(listener), routes).await;
        })];
        if sends {
            tasks.push(tokio::spawn(shop.clone().keep_sending()));
        }
        Ok(Running { address, shop, tasks })
    }
}

fn router(shop: &Shared) -> Router {
    let faulty = axum::middleware::from_fn_with_state(shop.clone(), passing::pass::<Shared>);
    let limit = DefaultBodyLimit::max(MAX_BODY);
    api::routes().layer(faulty).merge(pages::routes()).layer(limit).with_state(shop.clone())
}

/// The open shop. It closes when this is dropped.
#[derive(Debug)]
pub struct Running {
    pub address: SocketAddr,
    shop: Shared,
    tasks: Vec<JoinHandle<()>>,
}

impl Drop for Running {
    fn drop(&mut self) {
        for task in &self.tasks {
            task.abort();
        }
    }
}

impl Running {
    pub fn base(&self) -> String {
        format!("http://{}", self.address)
    }

    /// How many of an item the shop believes to have; none if it never heard of it.
    pub fn availability(&self, sku: &str) -> Option<Decimal> {
        self.shop.book().goods.one(sku).map(|(shown, _)| shown.have)
    }

    /// An item as the shop shows it.
    pub fn good(&self, sku: &str) -> Option<Shown> {
        self.shop.book().goods.one(sku).map(|(shown, _)| shown)
    }

    /// Everything that is listed, by code.
    pub fn goods(&self) -> Vec<Shown> {
        self.shop.book().goods.listed().collect()
    }

    /// Adds an item of its own, which nobody sent.
    pub fn put_own(&self, sku: &str, name: &str, price: Decimal, count: Decimal) {
        self.shop.change(|book| book.goods.put_own(sku, name, price, count));
    }

    /// Somebody buys, and pays at once or later.
    pub fn buy(&self, wanted: &[(String, Decimal)], buyer: &str, is_paid: bool) -> Result<String, NotBought> {
        self.shop.change(|book| book.buy(wanted, buyer, is_paid))
    }

    pub fn pay(&self, reference: &str) -> Result<(), NotBought> {
        self.shop.change(|book| book.pay(reference))
    }

    pub fn cancel(&self, reference: &str) -> Result<(), NotBought> {
        self.shop.change(|book| book.cancel(reference))
    }

    /// One line of an order is canceled.
    pub fn cancel_line(&self, reference: &str, sku: &str) -> Result<(), NotBought> {
        self.shop.change(|book| book.cancel_line(reference, sku))
    }

    /// A quantity of a line is refunded.
    pub fn refund(&self, reference: &str, sku: &str, count: Decimal) -> Result<(), NotBought> {
        self.shop.change(|book| book.refund(reference, sku, count))
    }

    pub fn orders(&self) -> Vec<Bought> {
        self.shop.book().orders.clone()
    }

    /// What it knows now, to be restored later.
    pub fn back_up(&self) -> Backup {
        self.shop.book().back_up()
    }

    /// Restores what it knew then: whatever was bought or sent since is forgotten.
    pub fn put_back(&self, backup: Backup) {
        self.shop.change(|book| book.put_back(backup));
    }

    /// What goes wrong from now on.
    pub fn set_faults(&self, faults: Faults) {
        self.shop.book().set_faults(faults);
    }

    /// What was asked of it so far.
    pub fn counts(&self) -> Counts {
        self.shop.book().counts
    }

    /// Remembers every message that is accepted from now on, for measurements; forgets earlier ones.
    pub fn remember_messages(&self) {
        self.shop.book().remembered = Some(Vec::new());
    }

    pub fn remembered(&self) -> usize {
        self.shop.book().remembered.as_ref().map_or(0, Vec::len)
    }

    /// What was remembered; from then on nothing is.
    pub fn take_remembered(&self) -> Vec<Remembered> {
        self.shop.book().remembered.take().unwrap_or_default()
    }

    /// Sends the hooks that are due now; returns how many were answered with success.
    pub async fn send_hooks(&self) -> usize {
        self.shop.send_hooks().await
    }

    /// Hooks that wait to be sent, or to be tried again.
    pub fn hooks_waiting(&self) -> usize {
        self.shop.book().outbound.waiting()
    }
}
