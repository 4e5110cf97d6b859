//! Connects the pages and the hook endpoint to the online shops.

use crate::feed_adapter::{put_down, taken};
use crate::random;
use feeds::connection::ConnectionFile;
use ledger::Ledger;
use std::path::PathBuf;
use std::sync::Arc;
use sync::Watch;
use sync::connections::{self, Limits, Live, NotReconciled, ReconcileError, Secrets};
use sync::exchange::CompareRun;
use till::{
    AdapterFuture, ConnectionAdapter, ConnectionFault, FeedTrouble, GivenFile, Hook, HookAnswer, HookCheck,
    HookWork, NamedSecret, ReadConnection, Reconciled, Tried,
};

/// Talks to online shops in the same way as the service and the command line.
pub(crate) struct Shops {
    ledger: Ledger,
    /// Shared with the service, so that both together stay within a shop's rate limit.
    pub(crate) live: Arc<Live>,
    secrets: Secrets,
    folder: Option<PathBuf>,
}

impl Shops {
    pub(crate) fn new(ledger: Ledger, folder: Option<PathBuf>) -> Self {
        let secrets = Secrets::new(folder.clone());
        let live = Arc::new(Live::new(secrets.clone(), Limits::default()));
        Self { ledger, live, secrets, folder }
    }
}

fn fault(error: impl std::fmt::Display) -> ConnectionFault {
    // The message begins with the line number, where there is one.
    ConnectionFault { line: None, words: error.to_string() }
}

impl ConnectionAdapter for Shops {
    fn read_connection(&self, text: &str) -> Result<ReadConnection, ConnectionFault> {
        let checked = connections::check_connection(text).map_err(fault)?;
        let file = ConnectionFile::parse(text).map_err(fault)?;
        let secret = |name: &feeds::connection::SecretName| NamedSecret {
            name: name.as_str().to_owned(),
            wanting: self.secrets.find(name).err().map(|error| error.to_string()),
        };
        Ok(ReadConnection {
            secrets: checked.secrets.iter().map(secret).collect(),
            channel: checked.channel,
            new_pieces: checked.new_pieces,
            takes_orders: checked.takes_orders,
            base: file.base.url().to_string(),
            can_reconcile: file.listed.is_some(),
        })
    }

    fn where_secrets_go(&self) -> String {
        let folder = match &self.folder {
            Some(folder) => format!(", or write it into a file of that name in {}", folder.display()),
            None => ", or start the program with --secrets DIR and write it into a file there".to_owned(),
        };
        format!("Set the secret NAME as FLEECEFOLD_SECRET_NAME in the program's environment{folder}.")
    }

    fn sync_now(self: Arc<Self>, connection: String) -> AdapterFuture<'static, ()> {
        Box::pin(async move {
            connections::now(&self.ledger, &self.live, Some(&connection), random::number()).await?;
            Ok(())
        })
    }

    fn try_connection(self: Arc<Self>, connection: String) -> AdapterFuture<'static, Tried> {
        Box::pin(async move {
            let tried = connections::try_connection(&self.ledger, &self.live, &connection).await?;
            let is_well = tried.works();
            let lines = |one: connections::Asked| {
                let first = format!("{}: {}", one.what, one.words);
                std::iter::once(first).chain(one.understood)
            };
            let mut asked: Vec<String> = tried.asked.into_iter().flat_map(lines).collect();
            asked.extend(tried.troubles);
            asked.extend(tried.warnings);
            let would_send = tried.would_send.into_iter();
            let would_send = would_send.map(|one| format!("{} {}: {}", one.method, one.address, one.about));
            Ok(Tried { asked, would_send: would_send.collect(), is_well })
        })
    }

    fn reconcile(self: Arc<Self>, connection: String) -> AdapterFuture<'static, Reconciled> {
        Box::pin(async move {
            let done = connections::reconcile(&self.ledger, &self.live, &connection, random::number()).await;
            done.map(told).map_err(|error| match error {
                NotReconciled::Ledger(failure) => FeedTrouble::Ledger(failure),
                other => FeedTrouble::Unreadable(other.to_string()),
            })
        })
    }

    fn reconcile_list(
        self: Arc<Self>,
        connection: String,
        list: GivenFile,
    ) -> AdapterFuture<'static, Reconciled> {
        Box::pin(async move {
            let given = put_down(&list.name, &list.bytes)?;
            let run = CompareRun { given: &given, layout: None, adopt: false, watch: Watch::new() };
            let done = connections::reconcile_given(&self.ledger, &self.live, &connection, &run).await;
            done.map(told).map_err(|error| match error {
                ReconcileError::File(error) => taken(error),
                ReconcileError::Text(error) => FeedTrouble::Unreadable(error.to_string()),
                ReconcileError::Ledger(failure) => FeedTrouble::Ledger(failure),
            })
        })
    }

    fn refuse_hook<'a>(&'a self, connection: &'a str) -> HookCheck<'a> {
        Box::pin(async move {
            match connections::takes_hooks(&self.ledger, &self.live, connection).await {
                Ok(true) => None,
                Ok(false) => Some(HookAnswer::NoSuch),
                Err(failure) => {
                    tracing::warn!(connection, %failure, "a hook's connection could not be looked up");
                    Some(HookAnswer::Busy)
                }
            }
        })
    }

    fn take_hook(&self, hook: Hook) -> HookWork<'_> {
        Box::pin(async move {
            let Hook { connection, headers, body } = hook;
            match connections::take_hook(&self.ledger, &self.live, &connection, &headers, &body).await {
                connections::HookAnswer::Taken
                | connections::HookAnswer::Seen
                | connections::HookAnswer::PassedOver => HookAnswer::Taken,
                connections::HookAnswer::Kept => HookAnswer::Kept,
                connections::HookAnswer::Unknown => HookAnswer::NoSuch,
                connections::HookAnswer::Unsigned(_) => HookAnswer::NotSigned,
                connections::HookAnswer::Unreadable(error) => HookAnswer::Unreadable(error.to_string()),
                connections::HookAnswer::StorageError(words) => {
                    tracing::warn!(connection, words, "a hook could not be taken");
                    HookAnswer::Busy
                }
            }
        })
    }
}

fn told(done: connections::Reconciled) -> Reconciled {
    let count = |number: usize| u64::try_from(number).unwrap_or(u64::MAX);
    let refused = match done.rejected {
        0 => Vec::new(),
        rejected => vec![format!("{rejected} of its rows cannot be read")],
    };
    Reconciled { listed: count(done.listed), mended: count(done.mended), asked: count(done.asked), refused }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ledger::online::NewPieces;
    use ledger::{Access, SystemClock};

    async fn shops() -> (Shops, tempfile::TempDir) {
        let folder = tempfile::tempdir().expect("a folder");
        let url = format!("sqlite:{}", folder.path().join("shop.db").display());
        let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.expect("a shop");
        let secrets = Some(folder.path().join("secrets"));
        (Shops::new(ledger, secrets), folder)
    }

    /// The text that the page offers for a new connection must be valid as it is.
    #[tokio::test]
    async fn the_first_text_of_a_connection_can_be_read() {
        let (shops, folder) = shops().await;
        let read = shops.read_connection(till::FIRST_CONNECTION).expect("a connection");
        assert_eq!((read.channel.as_str(), read.new_pieces), ("online", NewPieces::Wait));
        assert_eq!((read.secrets.len(), read.secrets[0].name.as_str()), (1, "shop"));
        let wanting = read.secrets[0].wanting.as_deref().expect("it is not there");
        assert!(wanting.contains("FLEECEFOLD_SECRET_SHOP"), "{wanting}");
        std::fs::create_dir(folder.path().join("secrets")).expect("a folder");
        std::fs::write(folder.path().join("secrets/shop"), "s3cret-words\n").expect("a secret");
        let read = shops.read_connection(till::FIRST_CONNECTION).expect("a connection");
        assert_eq!(read.secrets[0].wanting, None);
        assert!(!format!("{read:?}").contains("s3cret"), "no secret is shown");
        let fault = shops.read_connection("channel = \"online\"\nbass = 2\n").expect_err("no such key");
        assert!(fault.to_string().contains("line 2") && fault.to_string().contains("bass"), "{fault}");
        assert!(shops.where_secrets_go().contains("secrets"));
    }

    #[tokio::test]
    async fn a_hook_of_nobody_is_none() {
        let (shops, _folder) = shops().await;
        let hook = Hook { connection: "village".to_owned(), headers: Vec::new(), body: b"{}".to_vec() };
        assert_eq!(shops.take_hook(hook).await, HookAnswer::NoSuch);
        assert!(Arc::new(shops).sync_now("village".to_owned()).await.is_err());
    }
}
