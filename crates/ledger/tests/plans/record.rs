//! Records which statements are sent: the driver reports each to `tracing`.

use std::collections::BTreeSet;
use std::fmt::Debug;
use std::sync::{Arc, Mutex};
use tracing::field::{Field, Visit};
use tracing::span::{Attributes, Id, Record};
use tracing::{Event, Metadata, Subscriber};

/// As the driver names its events.
const TARGET: &str = "sqlx::query";

#[derive(Clone, Default)]
pub(crate) struct Statements(Arc<Mutex<Option<BTreeSet<String>>>>);

/// Records everything in this process from here on.
pub(crate) fn start() -> Statements {
    let statements = Statements::default();
    tracing::subscriber::set_global_default(Listener(statements.clone())).expect("nobody listens yet");
    statements
}

impl Statements {
    pub(crate) fn begin(&self) {
        *self.0.lock().unwrap() = Some(BTreeSet::new());
    }

    /// What was sent since, each once.
    pub(crate) fn end(&self) -> BTreeSet<String> {
        self.0.lock().unwrap().take().unwrap_or_default()
    }
}

struct Listener(Statements);

impl Subscriber for Listener {
    fn enabled(&self, metadata: &Metadata<'_>) -> bool {
        metadata.target() == TARGET
    }

    fn new_span(&self, _: &Attributes<'_>) -> Id {
        Id::from_u64(1)
    }

    fn record(&self, _: &Id, _: &Record<'_>) {}

    fn record_follows_from(&self, _: &Id, _: &Id) {}

    fn event(&self, event: &Event<'_>) {
        let mut told = Told::default();
        event.record(&mut told);
        let text = if told.statement.trim().is_empty() { told.summary } else { told.statement };
        if let Some(heard) = self.0.0.lock().unwrap().as_mut() {
            heard.insert(text.trim().to_owned());
        }
    }

    fn enter(&self, _: &Id) {}

    fn exit(&self, _: &Id) {}
}

/// The statement; empty if the driver's summary is already all of it.
#[derive(Default)]
struct Told {
    summary: String,
    statement: String,
}

impl Visit for Told {
    fn record_str(&mut self, field: &Field, value: &str) {
        match field.name() {
            "summary" => value.clone_into(&mut self.summary),
            "db.statement" => value.clone_into(&mut self.statement),
            _ => {}
        }
    }

    fn record_debug(&mut self, _: &Field, _: &dyn Debug) {}
}
