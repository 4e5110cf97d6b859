//! A shop with connections, and an adapter that answers as each test needs.

use super::TestShop;
use crate::connection_adapter::{
    ConnectionAdapter, ConnectionFault, Hook, HookAnswer, HookCheck, HookWork, NamedSecret, ReadConnection,
    Reconciled, Tried,
};
use crate::feed_adapter::{AdapterFuture, FeedTrouble, GivenFile};
use domain::channel::Channel;
use domain::codes::Code;
use domain::ids::ConnectionId;
use domain::stock::{Availability, ListingState};
use ledger::online::{
    ClaimMessages, DeferOrder, EndConnection, KeepDifferences, ListingDifference, NewPieces, SaveConnection,
    SettleMessages, Settled, SettledAs,
};
use std::sync::Arc;

/// Fails for certain connections or lists, by name.
struct AnsweringAdapter;

impl ConnectionAdapter for AnsweringAdapter {
    fn read_connection(&self, text: &str) -> Result<ReadConnection, ConnectionFault> {
        for (at, line) in text.lines().enumerate() {
            if let Some((key, _)) = line.split_once(" = ")
                && key == "bass"
            {
                return Err(ConnectionFault { line: Some(at + 1), words: format!("{key} is not known") });
            }
        }
        let channel = text.split('"').nth(1).unwrap_or("online");
        let wanting = "set FLEECEFOLD_SECRET_VILLAGE, or write it into shop.db.secrets/village".to_owned();
        Ok(ReadConnection {
            channel: Channel::parse(channel)
                .map_err(|e| ConnectionFault { line: Some(1), words: e.to_string() })?,
            new_pieces: NewPieces::Wait,
            takes_orders: text.contains("[orders]"),
            base: "https://village.example/api".to_owned(),
            can_reconcile: true,
            secrets: vec![NamedSecret { name: "village".to_owned(), wanting: Some(wanting) }],
        })
    }

    fn where_secrets_go(&self) -> String {
        "Set FLEECEFOLD_SECRET_NAME, or write it into shop.db.secrets/name.".to_owned()
    }

    fn sync_now(self: Arc<Self>, _: String) -> AdapterFuture<'static, ()> {
        Box::pin(async { Ok(()) })
    }

    fn try_connection(self: Arc<Self>, connection: String) -> AdapterFuture<'static, Tried> {
        Box::pin(async move {
            if connection == "unreadable" {
                return Err(FeedTrouble::Unreadable("there is no secret “village”".to_owned()));
            }
            let line = |text: &str| vec![text.to_owned()];
            Ok(Tried { asked: line("GET /bought: 200"), would_send: line("PUT /intake/COWL"), is_well: true })
        })
    }

    fn reconcile(self: Arc<Self>, _: String) -> AdapterFuture<'static, Reconciled> {
        Box::pin(async { Ok(Reconciled { listed: 7, mended: 2, asked: 1, refused: Vec::new() }) })
    }

    fn reconcile_list(self: Arc<Self>, _: String, list: GivenFile) -> AdapterFuture<'static, Reconciled> {
        Box::pin(async move {
            if list.name == "unreadable" {
                return Err(FeedTrouble::Unreadable("record 3 has no sku".to_owned()));
            }
            let refused = vec!["line 3: this may not be empty".to_owned()];
            Ok(Reconciled { listed: 1, refused, ..Reconciled::default() })
        })
    }

    fn refuse_hook<'a>(&'a self, connection: &'a str) -> HookCheck<'a> {
        Box::pin(async move { (connection != "village").then_some(HookAnswer::NoSuch) })
    }

    fn take_hook(&self, hook: Hook) -> HookWork<'_> {
        Box::pin(async move {
            let has_id = hook.headers.contains(&("webhook-id".to_owned(), "m1".to_owned()));
            match (hook.connection.as_str(), hook.body.as_slice()) {
                ("village", _) if !has_id => HookAnswer::NotSigned,
                ("village", b"taken") => HookAnswer::Taken,
                ("village", b"kept") => HookAnswer::Kept,
                ("village", b"odd") => HookAnswer::Unreadable("there is no list".to_owned()),
                ("village", b"busy") => HookAnswer::Busy,
                ("village", _) => HookAnswer::NotSigned,
                _ => HookAnswer::NoSuch,
            }
        })
    }
}

impl TestShop {
    pub(crate) fn with_connection_adapter(self) -> Self {
        Self { app: self.app.with_connection_adapter(Arc::new(AnsweringAdapter)), ..self }
    }

    /// A connection with new pieces that are still to be sent.
    pub(crate) async fn connect(&self, name: &str) -> ConnectionId {
        let save = SaveConnection {
            name: name.to_owned(),
            channel: Channel::online(),
            text: "channel = \"online\"".to_owned(),
            new_pieces: NewPieces::Wait,
            takes_orders: false,
            who: "test".to_owned(),
        };
        self.ledger().execute(None, &save).await.expect("a connection").answer
    }

    pub(crate) async fn end_connection(&self, name: &str) {
        let end = EndConnection { name: name.to_owned(), who: "test".to_owned() };
        self.ledger().execute(None, &end).await.expect("ended");
    }

    async fn connected(&self, name: &str) -> ConnectionId {
        let all = self.ledger().live_connections().await.expect("connections");
        all.into_iter().find(|one| one.name == name).expect("a connection").id
    }

    pub(crate) async fn put_on(&self, name: &str, skus: &[&str]) {
        let codes: Vec<Code> = skus.iter().map(|sku| Code::parse(sku).expect("a code")).collect();
        let put = self.ledger().put_on_connection(self.connected(name).await, Some(&codes), "test").await;
        assert_eq!(put.expect("put on"), skus.len());
    }

    /// The online shop took every message that waits for it.
    pub(crate) async fn tell(&self, name: &str) {
        let connection = self.connected(name).await;
        let holder = self.ledger().new_holder().expect("a holder");
        let claim = ClaimMessages { connection, holder, limit: 100, after: None };
        let claimed = self.ledger().execute(None, &claim).await.expect("claimed").answer;
        let items: Vec<_> = claimed.iter().map(|one| one.item).collect();
        let rows = self.ledger().listings_of(connection, &items).await.expect("listings");
        let settled = rows.iter().map(|(row, _)| {
            let is_offered = row.availability == Availability::InStock;
            let state = if is_offered { ListingState::Listed } else { ListingState::Ended };
            let (hash, other_id) = ("ab".repeat(32), Some(format!("L-{}", row.sku)));
            let became = SettledAs::Told { hash, state, other_id, etag: None };
            Settled { item: row.item, revision: row.revision, became }
        });
        let settle = SettleMessages { connection, holder, settled: settled.collect() };
        self.ledger().execute(None, &settle).await.expect("settled");
    }

    /// A message about an item that the online shop refused.
    pub(crate) async fn park(&self, name: &str, sku: &str, words: &str) {
        let connection = self.connected(name).await;
        let holder = self.ledger().new_holder().expect("a holder");
        let claim = ClaimMessages { connection, holder, limit: 100, after: None };
        let claimed = self.ledger().execute(None, &claim).await.expect("claimed").answer;
        let item = self.ledger().item(&Code::parse(sku).expect("a code")).await.expect("an item");
        let now = self.ledger().now();
        let settled = claimed.iter().map(|one| Settled {
            item: one.item,
            revision: item.revision,
            became: if one.item == item.id {
                SettledAs::Parked { words: words.to_owned() }
            } else {
                SettledAs::Later { until: now, words: String::new() }
            },
        });
        let settle = SettleMessages { connection, holder, settled: settled.collect() };
        let count = self.ledger().execute(None, &settle).await.expect("settled").answer;
        assert!(count > 0 && claimed.iter().any(|one| one.item == item.id), "{sku} waited");
    }

    /// An order that could not be taken in and is tried again in an hour.
    pub(crate) async fn defer_order(&self, name: &str, number: &str, words: &str) {
        let connection = self.connected(name).await;
        let until = self.ledger().now().plus_millis(3_600_000);
        let (number, words, raw) =
            (number.to_owned(), words.to_owned(), format!("{{\"ref\": \"{number}\"}}"));
        let field = String::new();
        let keep = DeferOrder { connection, number, raw, words, field, until };
        self.ledger().execute(None, &keep).await.expect("kept");
    }

    /// A difference that a person has to decide.
    pub(crate) async fn difference(&self, name: &str, sku: &str, field: &str, ours: &str, theirs: &str) {
        let item = self.ledger().item(&Code::parse(sku).expect("a code")).await.expect("an item");
        let difference = ListingDifference {
            sku: sku.to_owned(),
            item: Some(item.id),
            field: field.to_owned(),
            ours: ours.to_owned(),
            theirs: theirs.to_owned(),
        };
        let keep = KeepDifferences { connection: self.connected(name).await, differences: vec![difference] };
        self.ledger().execute(None, &keep).await.expect("kept");
    }
}
