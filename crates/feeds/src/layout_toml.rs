//! A layout's TOML as written.

use serde::Deserialize;
use std::collections::BTreeMap;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawLayout {
    pub(crate) feed: String,
    pub(crate) format: Option<String>,
    pub(crate) encoding: Option<String>,
    pub(crate) delimiter: Option<String>,
    pub(crate) ignore: Option<RawIgnore>,
    pub(crate) header: Option<bool>,
    pub(crate) channel: Option<String>,
    pub(crate) each: Option<String>,
    pub(crate) lines: Option<String>,
    #[serde(default)]
    pub(crate) field: BTreeMap<String, RawField>,
    pub(crate) refunds: Option<String>,
    #[serde(default)]
    pub(crate) refund: BTreeMap<String, RawField>,
    #[serde(default)]
    pub(crate) extra: BTreeMap<String, RawExtra>,
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "ignore is a list of column names, or \"*\" for every other column")]
pub(crate) enum RawIgnore {
    Word(String),
    List(Vec<String>),
}

#[derive(Deserialize, Default)]
#[serde(deny_unknown_fields)]
pub(crate) struct RawField {
    pub(crate) from: Option<String>,
    pub(crate) value: Option<String>,
    pub(crate) date: Option<String>,
    pub(crate) zone: Option<String>,
    pub(crate) per: Option<String>,
    pub(crate) decimal: Option<String>,
    pub(crate) scale: Option<RawScale>,
    pub(crate) unit: Option<String>,
    pub(crate) decimals: Option<i64>,
    #[serde(rename = "as")]
    pub(crate) as_what: Option<String>,
    #[serde(default)]
    pub(crate) words: BTreeMap<String, String>,
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "what [extra] adds is a text, a whole number, true or false")]
pub(crate) enum RawExtra {
    Text(String),
    Number(i64),
    Truth(bool),
}

#[derive(Deserialize)]
#[serde(untagged, expecting = "scale is \"minor\", or the number of decimals that a whole number stands for")]
pub(crate) enum RawScale {
    Word(String),
    Digits(i64),
}

impl RawScale {
    pub(crate) fn shown(&self) -> String {
        match self {
            Self::Word(word) => word.clone(),
            Self::Digits(digits) => digits.to_string(),
        }
    }
}
