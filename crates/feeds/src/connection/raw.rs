//! A connection's TOML as written; each value keeps its position, for error messages.

use serde::Deserialize;
use std::collections::BTreeMap;
use toml::Spanned;

pub(super) type Text = Spanned<String>;
pub(super) type Number = Spanned<i64>;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawConnection {
    pub(super) channel: Text,
    pub(super) base: Text,
    #[serde(default)]
    pub(super) private: bool,
    pub(super) per_second: Option<Number>,
    pub(super) secret: Option<RawSecret>,
    #[serde(default)]
    pub(super) headers: BTreeMap<Text, Text>,
    pub(super) ca_file: Option<Text>,
    pub(super) out: Spanned<RawOut>,
    pub(super) answer: Option<Spanned<RawAnswer>>,
    pub(super) orders: Option<Spanned<RawOrders>>,
    pub(super) hooks: Option<Spanned<RawHooks>>,
    pub(super) listed: Option<Spanned<RawListed>>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawSecret {
    pub(super) name: Text,
    #[serde(rename = "as")]
    pub(super) how: Option<Text>,
    pub(super) header: Option<Text>,
    pub(super) query: Option<Text>,
    pub(super) token: Option<Text>,
    pub(super) scope: Option<Text>,
    pub(super) client: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawOut {
    pub(super) message: Option<Text>,
    pub(super) method: Option<Text>,
    pub(super) to: Text,
    pub(super) new: Option<RawCall>,
    pub(super) end: Option<RawCall>,
    pub(super) batch: Option<RawBatch>,
    pub(super) new_pieces: Option<Text>,
    pub(super) layout: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawCall {
    pub(super) method: Option<Text>,
    pub(super) to: Text,
    pub(super) id: Option<Text>,
    pub(super) known_id: Option<Text>,
    pub(super) message: Option<Text>,
    pub(super) layout: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawBatch {
    pub(super) method: Option<Text>,
    pub(super) to: Text,
    pub(super) at_once: Option<Number>,
    pub(super) each: Option<Text>,
    pub(super) message: Option<Text>,
    pub(super) layout: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawOrders {
    pub(super) from: Text,
    pub(super) next: Option<Text>,
    pub(super) cursor: Option<Text>,
    pub(super) cursor_at: Option<Text>,
    pub(super) past_end: Option<Number>,
    pub(super) every: Option<Text>,
    pub(super) overlap: Option<Text>,
    pub(super) since: Option<Text>,
    pub(super) zone: Option<Text>,
    pub(super) daily: Option<Text>,
    pub(super) weekly: Option<Text>,
    pub(super) one: Option<Text>,
    pub(super) layout: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawHooks {
    pub(super) secret: Vec<Text>,
    pub(super) signed: Option<Text>,
    pub(super) header: Option<Text>,
    pub(super) tolerance: Option<Text>,
    pub(super) event: Option<Spanned<RawEvent>>,
    pub(super) layout: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawEvent {
    pub(super) header: Option<Text>,
    pub(super) at: Option<Text>,
    pub(super) only: Vec<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawListed {
    pub(super) from: Text,
    pub(super) other_id: Option<Text>,
    pub(super) one: Option<Text>,
    pub(super) next: Option<Text>,
    pub(super) cursor_at: Option<Text>,
    pub(super) past_end: Option<Number>,
    pub(super) every: Option<Text>,
    pub(super) layout: Option<Text>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(super) struct RawAnswer {
    pub(super) each: Text,
    pub(super) id: Option<Text>,
    pub(super) ok: Text,
    #[serde(default)]
    pub(super) good: Vec<Text>,
    pub(super) reason: Option<Text>,
    pub(super) other_id: Option<Text>,
}
