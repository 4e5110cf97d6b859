use crate::keeping::SetShop;
use crate::{Access, Key, Ledger, SystemClock};
use std::fmt::Debug;
use std::sync::atomic::{AtomicU64, Ordering};
use std::sync::{Arc, Mutex};
use tracing::field::{Field, Visit};
use tracing::span::{Attributes, Id, Record};
use tracing::{Event, Metadata, Subscriber};

/// What was recorded about the spans of commands, in order.
#[derive(Clone, Default)]
struct Recorder {
    fields: Arc<Mutex<Vec<String>>>,
    spans: Arc<AtomicU64>,
}

impl Visit for &Recorder {
    fn record_debug(&mut self, field: &Field, value: &dyn Debug) {
        self.fields.lock().unwrap().push(format!("{field}={value:?}"));
    }
}

impl Subscriber for Recorder {
    fn enabled(&self, metadata: &Metadata<'_>) -> bool {
        metadata.is_span() && metadata.name() == "command"
    }

    fn new_span(&self, attributes: &Attributes<'_>) -> Id {
        attributes.record(&mut &*self);
        Id::from_u64(self.spans.fetch_add(1, Ordering::Relaxed) + 1)
    }

    fn record(&self, _: &Id, values: &Record<'_>) {
        values.record(&mut &*self);
    }

    fn record_follows_from(&self, _: &Id, _: &Id) {}

    fn event(&self, _: &Event<'_>) {}

    fn enter(&self, _: &Id) {}

    fn exit(&self, _: &Id) {}
}

#[tokio::test]
async fn a_command_is_one_span_with_its_name_its_tries_and_whether_it_was_answered_before() {
    let folder = tempfile::tempdir().expect("a folder");
    let url = format!("sqlite:{}", folder.path().join("shop.db").display());
    let ledger = Ledger::open(&url, Access::Create, Arc::new(SystemClock)).await.expect("a shop");
    let recorder = Recorder::default();
    let _heard = tracing::subscriber::set_default(recorder.clone());
    let key = Key::new("test", "1", b"body").expect("a key");
    let name = SetShop { key: "name".to_owned(), value: "Hollow Lane".to_owned(), who: String::new() };
    for _ in 0..2 {
        ledger.execute(Some(&key), &name).await.expect("done");
    }
    let wrong = SetShop { key: "shoe".to_owned(), ..name };
    ledger.execute(None, &wrong).await.expect_err("there is no such setting");
    let expected = [
        "name=\"SetShop\" tries=1 replayed=false",
        "name=\"SetShop\" tries=1 replayed=true",
        "name=\"SetShop\" tries=1",
    ];
    assert_eq!(recorder.fields.lock().unwrap().join(" "), expected.join(" "));
    ledger.close().await;
}
