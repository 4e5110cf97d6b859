use super::*;
use crate::shelf::{AddItems, NewItem};
use crate::store::command::{Command, Done, Tx};
use crate::{Access, CommandError, Key, Ledger, Rejection, SystemClock};
use async_trait::async_trait;
use domain::codes::Code;
use domain::item::{ItemPricing, ItemStock, ItemText};
use domain::money::{Currency, Money};
use domain::stock::ItemKind;
use sqlx::AssertSqlSafe;
use std::fs;
use std::path::PathBuf;
use tempfile::TempDir;
use tokio::task::JoinHandle;

struct Shop {
    ledger: Ledger,
    folder: TempDir,
}

type Answered<C> = Result<Done<<C as Command>::Answer>, CommandError>;

impl Shop {
    async fn new() -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("shop.db").display());
        let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.expect("a shop");
        Self { ledger, folder }
    }

    /// Commits so far, read from the write-ahead log: the frame that ends a transaction has the size of the
    /// database in its header, the others have 0 (sqlite.org/fileformat2.html, 4.1).
    fn commits(&self) -> usize {
        let wal: PathBuf = self.folder.path().join("shop.db-wal");
        let log = fs::read(wal).expect("a log");
        let (header, frames) = log.split_at(32);
        let page = u32::from_be_bytes(header[8..12].try_into().expect("four bytes")) as usize;
        let is_current = |frame: &&[u8]| frame[8..16] == header[16..24];
        frames.chunks_exact(24 + page).take_while(is_current).filter(|frame| frame[4..8] != [0; 4]).count()
    }

    /// Keeps the writer until what it returns is dropped.
    async fn busy(&self) -> sqlx::pool::PoolConnection<Any> {
        self.ledger.inner.writers.acquire().await.expect("the writer")
    }

    fn spawn<C: Command + Send + 'static>(&self, key: Option<&str>, command: C) -> JoinHandle<Answered<C>>
    where
        C::Answer: Sync + 'static,
    {
        let ledger = self.ledger.clone();
        let key = key.map(|key| Key::new("test", key, b"body").expect("a key"));
        tokio::spawn(async move { ledger.execute(key.as_ref(), &command).await })
    }

    /// Starts the commands in this order, while somebody else has the writer, so that they share it afterwards.
    async fn together<C: Command + Send + 'static>(&self, commands: Vec<C>) -> Vec<Answered<C>>
    where
        C::Answer: Sync + 'static,
    {
        let busy = self.busy().await;
        let mut started = Vec::new();
        for (number, command) in commands.into_iter().enumerate() {
            started.push(self.spawn(Some(&number.to_string()), command));
            // The first one has the place already and waits for the writer; the others wait for the place.
            self.until_waiting(number).await;
        }
        drop(busy);
        let mut answered = Vec::new();
        for one in started {
            answered.push(one.await.expect("no panic"));
        }
        answered
    }

    async fn until_waiting(&self, count: usize) {
        while self.ledger.inner.queue.waiting.load(Ordering::SeqCst) < count {
            tokio::task::yield_now().await;
        }
    }

    async fn on_writer(&self, text: &str) {
        let mut writer = self.busy().await;
        writer.execute(sqlx::raw_sql(AssertSqlSafe(text.to_owned()))).await.expect(text);
    }

    async fn skus(&self) -> Vec<String> {
        let mut reader = self.ledger.reader().await.expect("a reader");
        let text = "SELECT sku FROM item ORDER BY sku";
        sqlx::query_scalar(text).fetch_all(&mut *reader).await.expect("SKUs")
    }
}

fn item(sku: &str) -> NewItem {
    NewItem {
        text: ItemText { name: format!("Cowl {sku}"), ..ItemText::default() },
        sku: Some(Code::parse(sku).expect("a code")),
        gtin: None,
        pricing: ItemPricing {
            price: Money::from_minor(100, Currency::USD).ok(),
            ..ItemPricing::none(Currency::USD)
        },
        stock: ItemStock::of(ItemKind::Piece),
    }
}

fn add(sku: &str) -> AddItems {
    AddItems { items: vec![item(sku)], who: "maker".to_owned(), progress: None }
}

/// Adds an item, and is rejected afterwards if it is said to be.
struct Sometimes {
    adds: AddItems,
    is_rejected: bool,
}

#[async_trait]
impl Command for Sometimes {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        self.adds.run(tx).await?;
        if self.is_rejected {
            return Err(Rejection::WrongDigit { code: "X".to_owned(), expected: 1 }.into());
        }
        Ok(())
    }
}

/// Adds an item, and then does not end.
struct Stuck(AddItems);

#[async_trait]
impl Command for Stuck {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), CommandError> {
        self.0.run(tx).await?;
        std::future::pending().await
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn commands_that_wait_for_the_writer_share_a_commit() {
    const COMMANDS: usize = 40;
    let shop = Shop::new().await;
    let before = shop.commits();
    let skus: Vec<String> = (0..COMMANDS).map(|n| format!("S{n:02}")).collect();
    let answered = shop.together(skus.iter().map(|sku| add(sku)).collect()).await;
    assert!(answered.iter().all(Result::is_ok), "{answered:?}");
    assert_eq!(shop.skus().await, skus);
    let commits = shop.commits() - before;
    assert!((1..COMMANDS).contains(&commits), "{commits} commits of {COMMANDS} commands");
    // Alone, each has a commit of its own.
    for number in 0..3 {
        shop.ledger.execute(None, &add(&format!("T{number}"))).await.expect("added");
    }
    assert_eq!(shop.commits() - before, commits + 3);
    shop.ledger.close().await;
}

#[tokio::test]
async fn a_rejected_command_undoes_nothing_of_its_neighbors_and_its_rejection_is_kept() {
    let shop = Shop::new().await;
    let commands = [("A", false), ("B", true), ("C", false), ("D", true), ("E", false)]
        .map(|(sku, is_rejected)| Sometimes { adds: add(sku), is_rejected });
    let answered = shop.together(commands.into()).await;
    let is_added: Vec<bool> = answered.iter().map(Result::is_ok).collect();
    assert_eq!(is_added, [true, false, true, false, true], "{answered:?}");
    assert_eq!(shop.skus().await, ["A", "C", "E"]);
    let other = Sometimes { adds: add("F"), is_rejected: false };
    // The same key gives the same answer, although there would be another one now.
    for (number, expected) in is_added.into_iter().enumerate() {
        let key = Key::new("test", &number.to_string(), b"body").expect("a key");
        let again = shop.ledger.answer(Some(&key), &other).await.expect("an answer");
        assert_eq!((again.replayed, again.answer.is_ok()), (true, expected), "{number}");
    }
    shop.ledger.close().await;
}

/// `RAISE(ROLLBACK)` makes SQLite undo the transaction by itself, as it does when the disk fails
/// (`sqlite.org/lang_createtrigger.html`); a deferred foreign key fails at the COMMIT
/// (`sqlite.org/foreignkeys.html`, 4.2).
#[tokio::test]
async fn a_command_that_ruins_the_transaction_fails_alone() {
    let fails_at_once = "CREATE TEMP TRIGGER ruins BEFORE INSERT ON item WHEN NEW.sku = 'B' \
        BEGIN SELECT RAISE(ROLLBACK, 'ruined'); END";
    let fails_at_commit = "CREATE TEMP TABLE parent (id INTEGER PRIMARY KEY); \
        CREATE TEMP TABLE child (id INTEGER REFERENCES parent DEFERRABLE INITIALLY DEFERRED); \
        CREATE TEMP TRIGGER ruins BEFORE INSERT ON item WHEN NEW.sku = 'B' \
        BEGIN INSERT INTO child (id) VALUES (1); END";
    for ruin in [fails_at_once, fails_at_commit] {
        let shop = Shop::new().await;
        shop.on_writer(ruin).await;
        let answered = shop.together(vec![add("A"), add("B"), add("C")]).await;
        assert!(answered[0].is_ok() && answered[2].is_ok(), "{answered:?}");
        let ruined = matches!(&answered[1], Err(CommandError::Storage(StorageError::Database(_))));
        assert!(ruined, "{answered:?}");
        assert_eq!(shop.skus().await, ["A", "C"]);
        shop.ledger.close().await;
    }
}

#[tokio::test]
async fn whoever_goes_away_in_the_middle_takes_nobody_along() {
    let shop = Shop::new().await;
    let busy = shop.busy().await;
    let first = shop.spawn(None, add("A"));
    tokio::task::yield_now().await;
    let stuck = shop.spawn(None, Stuck(add("B")));
    shop.until_waiting(1).await;
    drop(busy);
    while shop.ledger.inner.queue.waiting.load(Ordering::SeqCst) > 0 {
        tokio::task::yield_now().await;
    }
    tokio::time::sleep(Duration::from_millis(50)).await;
    assert!(!first.is_finished(), "answered before the commit");
    stuck.abort();
    first.await.expect("no panic").expect("added by a second try");
    assert_eq!(shop.skus().await, ["A"]);
    shop.ledger.close().await;
}

#[tokio::test]
async fn nobody_is_answered_before_the_commit_and_nobody_waits_for_one_who_left_the_queue() {
    for goes_away in [true, false] {
        let shop = Shop::new().await;
        let busy = shop.busy().await;
        let first = shop.spawn(None, add("A"));
        tokio::task::yield_now().await;
        let second = add("B");
        let mut second = Box::pin(shop.ledger.execute(None, &second));
        // It takes its place in the queue, and is not asked again until below.
        let waits = tokio::time::timeout(Duration::from_millis(1), &mut second).await;
        assert!(waits.is_err());
        drop(busy);
        tokio::time::sleep(Duration::from_millis(50)).await;
        assert!(!first.is_finished(), "answered before the commit");
        assert_eq!(shop.skus().await, [""; 0], "committed, although somebody is waiting");
        let expected: &[&str] = if goes_away {
            drop(second);
            &["A"]
        } else {
            second.await.expect("added");
            &["A", "B"]
        };
        first.await.expect("no panic").expect("added");
        assert_eq!(shop.skus().await, expected);
        shop.ledger.close().await;
    }
}

/// A caller that sets its command aside breaks the rule of [`Ledger::execute`]; the others get away from it.
#[tokio::test]
async fn a_member_does_not_wait_forever_for_a_command_that_was_set_aside() {
    let shop = Shop::new().await;
    let busy = shop.busy().await;
    let first = shop.spawn(None, add("A"));
    tokio::task::yield_now().await;
    let second = add("B");
    let mut second = Box::pin(shop.ledger.execute(None, &second));
    let waits = tokio::time::timeout(Duration::from_millis(1), &mut second).await;
    assert!(waits.is_err());
    drop(busy);
    while shop.ledger.inner.queue.open.try_lock().is_ok_and(|place| place.is_none()) {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    tokio::time::sleep(Duration::from_millis(50)).await;
    tokio::time::pause();
    tokio::time::advance(HEARS_WITHIN).await;
    tokio::time::resume();
    let first = first.await.expect("no panic");
    assert!(
        matches!(first, Err(CommandError::Storage(StorageError::OutcomeUnknown(_)))),
        "it may yet be committed: {first:?}"
    );
    drop(second);
    shop.ledger.execute(None, &add("C")).await.expect("added");
    assert_eq!(shop.skus().await, ["A", "C"]);
    shop.ledger.close().await;
}
