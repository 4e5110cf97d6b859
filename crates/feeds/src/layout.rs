//! How somebody else's CSV or JSON maps to our fields.

use crate::date;
use crate::fields::{Feed, Field, Kind, json_pointer, listing, order};
use crate::layout_toml::{RawField, RawIgnore, RawLayout};
pub(crate) use crate::pointer::{MAX_STEPS, Pointer};
use crate::template::Template;
use crate::toml_text;
use domain::channel::{Channel, NotAChannel};
use domain::day::{DayError, Zone};
use std::collections::BTreeMap;

/// How a file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// RFC 4180 and its relatives.
    Csv,
    /// One JSON document.
    Json,
    /// One JSON value a line.
    JsonLines,
}

impl Format {
    /// By a file name's ending; what is not JSON is read as CSV.
    pub fn of_name(name: &str) -> Self {
        let ends = |ending: &str| {
            let at = name.len().checked_sub(ending.len()).unwrap_or(usize::MAX);
            name.get(at..).is_some_and(|end| end.eq_ignore_ascii_case(ending))
        };
        if ends(".jsonl") || ends(".ndjson") {
            Self::JsonLines
        } else if ends(".json") || ends(".jsonld") {
            Self::Json
        } else {
            Self::Csv
        }
    }

    fn from_code(code: &str) -> Option<Self> {
        match code {
            "csv" => Some(Self::Csv),
            "json" => Some(Self::Json),
            "jsonl" => Some(Self::JsonLines),
            _ => None,
        }
    }
}

/// The characters of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// Nothing but ASCII was seen so far.
    Ascii,
    /// UTF-8.
    Utf8,
    /// Windows-1252, as older spreadsheets write.
    Windows1252,
}

/// What parts the fields of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delimiter {
    /// One character between two fields.
    One(u8),
    /// Runs of spaces; those at the start of a row count for nothing.
    Spaces,
}

impl Delimiter {
    /// The byte between two fields.
    pub(crate) fn byte(self) -> u8 {
        match self {
            Self::One(byte) => byte,
            Self::Spaces => b' ',
        }
    }
}

/// Which columns may stand in a file without being taken.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Ignore {
    Listed(Vec<String>),
    All,
}

impl Ignore {
    pub(crate) fn covers(&self, column: &str) -> bool {
        match self {
            Self::All => true,
            Self::Listed(names) => names.iter().any(|n| n == column),
        }
    }
}

/// Where one of our fields comes from.
#[derive(Clone, Debug)]
pub(crate) struct FieldMap {
    pub(crate) from: String,
    pub(crate) pointer: Pointer,
    pub(crate) value: Option<Template>,
    pub(crate) date: Option<String>,
    pub(crate) zone: Option<Zone>,
    pub(crate) per_line: bool,
    pub(crate) decimal_comma: bool,
    /// In JSON going out, the number itself and not its text.
    pub(crate) as_number: bool,
    /// Their words and ours.
    pub(crate) words: BTreeMap<String, String>,
}

/// What is wrong with a layout.
#[derive(Debug, thiserror::Error)]
pub enum LayoutError {
    /// Not TOML, or a key that no layout has.
    #[error("the layout cannot be read: {source}")]
    Toml {
        /// Where and why.
        #[source]
        source: Box<toml::de::Error>,
    },
    /// A key with a value that it cannot have.
    #[error("the layout's {key} = \"{value}\" is not known; use {known}")]
    Value {
        /// The key.
        key: String,
        /// What was given.
        value: String,
        /// What may be given.
        known: &'static str,
    },
    /// A field that the feed does not have.
    #[error("the layout's [field.{field}] is not a field of {feed}; its fields are {known}")]
    UnknownField {
        /// The name given.
        field: String,
        /// The feed.
        feed: Feed,
        /// Its fields.
        known: String,
    },
    /// A key that this field cannot use.
    #[error("the layout's [field.{field}] cannot have {key}: only {only} can")]
    NotHere {
        /// The field.
        field: String,
        /// The key.
        key: &'static str,
        /// Which fields can have it.
        only: &'static str,
    },
    /// A key that this format or feed cannot use.
    #[error("the layout's {key} is only for {only}; take it out")]
    NotForThis {
        /// The key.
        key: &'static str,
        /// What it is for.
        only: &'static str,
    },
    /// Both a column and a constant.
    #[error("the layout's [field.{field}] has both from and value; keep one of them")]
    FromAndValue {
        /// The field.
        field: String,
    },
    /// A field that must be mapped is not.
    #[error("the layout has no [field.{field}], which {feed} need; say where it comes from")]
    Missing {
        /// The field.
        field: &'static str,
        /// The feed.
        feed: Feed,
    },
    /// An order line that names nothing.
    #[error(
        "the layout has none of [field.sku], [field.gtin13] and [field.name]; an order's line must name what was sold"
    )]
    NamesNothing,
    /// Both `channel` and `[field.channel]`.
    #[error("the layout has both channel and [field.channel]; keep one of them")]
    ChannelTwice,
    /// Not a channel's code.
    #[error("the layout's channel: {source}")]
    Channel {
        /// Why.
        #[source]
        source: NotAChannel,
    },
    /// Not a time zone.
    #[error("the layout's zone of [field.{field}]: {source}")]
    Zone {
        /// The field.
        field: String,
        /// Why.
        #[source]
        source: DayError,
    },
}

/// How a file maps to our fields; built in for our own names, or read from TOML.
#[derive(Clone, Debug)]
pub struct Layout {
    pub(crate) feed: Feed,
    pub(crate) format: Format,
    pub(crate) encoding: Option<Encoding>,
    pub(crate) delimiter: Option<Delimiter>,
    pub(crate) ignore: Ignore,
    pub(crate) header: bool,
    pub(crate) channel: Option<Channel>,
    pub(crate) each: Pointer,
    pub(crate) lines: Option<Pointer>,
    pub(crate) fields: Vec<Option<FieldMap>>,
    /// Our own names: a column that is not required may be missing.
    pub(crate) built_in: bool,
}

impl Layout {
    /// Our own field names: schema.org's.
    pub fn built_in(feed: Feed, format: Format) -> Self {
        let fields = (0..feed.fields().len()).map(|place| Some(own_field(feed, format, place))).collect();
        let each = if feed == Feed::Listings { "/@graph" } else { "" };
        Self {
            feed,
            format,
            encoding: None,
            delimiter: None,
            ignore: Ignore::Listed(own_ignored(feed, format)),
            header: true,
            channel: None,
            each: Pointer::parse(each).unwrap_or_default(),
            lines: None,
            fields,
            built_in: true,
        }
    }

    /// Reads a layout's TOML.
    pub fn parse(text: &str) -> Result<Self, LayoutError> {
        let raw: RawLayout =
            toml_text::read(text).map_err(|source| LayoutError::Toml { source: Box::new(source) })?;
        let known = "orders, items, styles or listings";
        let feed = Feed::ALL.into_iter().find(|f| f.code() == raw.feed);
        let feed = feed.ok_or_else(|| not_known("feed", &raw.feed, known))?;
        let format = one_of("format", raw.format.as_deref(), "csv, json or jsonl", Format::from_code)?
            .unwrap_or(Format::Csv);
        refuse_misplaced(&raw, feed, format)?;
        let known = "comma, semicolon, tab or spaces, or the one character";
        let pointers = "a JSON Pointer, such as /orders";
        let each = one_of("each", raw.each.as_deref(), pointers, Pointer::parse)?.unwrap_or_default();
        let lines = one_of("lines", raw.lines.as_deref(), pointers, Pointer::parse)?;
        let layout = Self {
            feed,
            format,
            encoding: one_of("encoding", raw.encoding.as_deref(), "utf-8 or windows-1252", encoding)?,
            delimiter: one_of("delimiter", raw.delimiter.as_deref(), known, delimiter)?,
            ignore: ignore(raw.ignore)?,
            header: raw.header.unwrap_or(true),
            channel: raw
                .channel
                .as_deref()
                .map(Channel::parse)
                .transpose()
                .map_err(|source| LayoutError::Channel { source })?,
            each,
            lines,
            fields: map_fields(feed, format, raw.field)?,
            built_in: false,
        };
        layout.refuse_gaps()?;
        Ok(layout)
    }

    /// The same mapping for another format: the rejects of a JSON document are JSON Lines.
    #[must_use]
    pub fn with_format(mut self, format: Format) -> Self {
        if self.built_in {
            return Self::built_in(self.feed, format);
        }
        self.format = format;
        self
    }

    /// What the layout is for.
    pub fn feed(&self) -> Feed {
        self.feed
    }

    /// How its files are written.
    pub fn format(&self) -> Format {
        self.format
    }

    /// Whether a field is mapped from a column or given as a constant.
    pub(crate) fn maps(&self, field: usize) -> bool {
        self.fields[field].is_some()
    }

    fn refuse_gaps(&self) -> Result<(), LayoutError> {
        for (place, Field { name, required, .. }) in self.feed.fields().iter().enumerate() {
            if *required && !self.maps(place) {
                return Err(LayoutError::Missing { field: name, feed: self.feed });
            }
        }
        if self.feed != Feed::Orders {
            return Ok(());
        }
        if ![order::SKU, order::GTIN, order::NAME].into_iter().any(|f| self.maps(f)) {
            return Err(LayoutError::NamesNothing);
        }
        if self.channel.is_some() && self.maps(order::CHANNEL) {
            return Err(LayoutError::ChannelTwice);
        }
        Ok(())
    }
}

/// Members that our own JSON-LD needs and that no field comes from.
fn own_ignored(feed: Feed, format: Format) -> Vec<String> {
    match (feed, format) {
        (Feed::Listings, Format::Json | Format::JsonLines) => {
            ["/additionalProperty/propertyID", "/offers/inventoryLevel/unitCode"].map(str::to_owned).to_vec()
        }
        _ => Vec::new(),
    }
}

fn own_field(feed: Feed, format: Format, place: usize) -> FieldMap {
    let pointer = json_pointer(feed, place);
    let name = feed.fields()[place].name;
    FieldMap {
        from: if format == Format::Csv { name.to_owned() } else { pointer.clone() },
        pointer: Pointer::parse(&pointer).unwrap_or_default(),
        value: None,
        date: None,
        zone: None,
        per_line: false,
        decimal_comma: false,
        as_number: feed == Feed::Listings && place == listing::REVISION,
        words: BTreeMap::new(),
    }
}

fn not_known(key: &str, value: &str, known: &'static str) -> LayoutError {
    let value = value.chars().take(40).collect();
    LayoutError::Value { key: key.to_owned(), value, known }
}

fn one_of<T>(
    key: &str,
    value: Option<&str>,
    known: &'static str,
    read: impl Fn(&str) -> Option<T>,
) -> Result<Option<T>, LayoutError> {
    value.map(|v| read(v).ok_or_else(|| not_known(key, v, known))).transpose()
}

fn encoding(text: &str) -> Option<Encoding> {
    match text.to_ascii_lowercase().as_str() {
        "utf-8" | "utf8" => Some(Encoding::Utf8),
        "windows-1252" | "cp1252" => Some(Encoding::Windows1252),
        _ => None,
    }
}

fn delimiter(text: &str) -> Option<Delimiter> {
    match (text, text.as_bytes()) {
        ("comma", _) => Some(Delimiter::One(b',')),
        ("semicolon", _) => Some(Delimiter::One(b';')),
        ("tab", _) => Some(Delimiter::One(b'\t')),
        ("spaces", _) => Some(Delimiter::Spaces),
        (_, [byte]) if matches!(byte, b',' | b';' | b'\t' | b'|' | b':') => Some(Delimiter::One(*byte)),
        _ => None,
    }
}

fn ignore(raw: Option<RawIgnore>) -> Result<Ignore, LayoutError> {
    match raw {
        None => Ok(Ignore::Listed(Vec::new())),
        Some(RawIgnore::List(names)) => Ok(Ignore::Listed(names)),
        Some(RawIgnore::Word(word)) if word == "*" => Ok(Ignore::All),
        Some(RawIgnore::Word(word)) => Err(not_known("ignore", &word, "a list of column names, or \"*\"")),
    }
}

fn refuse_misplaced(raw: &RawLayout, feed: Feed, format: Format) -> Result<(), LayoutError> {
    let csv = format == Format::Csv;
    let checks = [
        ("delimiter", raw.delimiter.is_some() && !csv, "format = \"csv\""),
        ("header", raw.header.is_some() && !csv, "format = \"csv\""),
        ("encoding", raw.encoding.is_some() && !csv, "format = \"csv\"; JSON is always UTF-8"),
        ("each", raw.each.is_some() && format != Format::Json, "format = \"json\""),
        ("lines", raw.lines.is_some() && (csv || feed != Feed::Orders), "orders as JSON"),
        ("channel", raw.channel.is_some() && feed != Feed::Orders, "orders"),
    ];
    match checks.into_iter().find(|(_, misplaced, _)| *misplaced) {
        Some((key, _, only)) => Err(LayoutError::NotForThis { key, only }),
        None => Ok(()),
    }
}

fn map_fields(
    feed: Feed,
    format: Format,
    raw: BTreeMap<String, RawField>,
) -> Result<Vec<Option<FieldMap>>, LayoutError> {
    let mut fields = vec![None; feed.fields().len()];
    for (name, field) in raw {
        let Some(place) = feed.fields().iter().position(|f| f.name == name) else {
            let known = feed.fields().iter().map(|f| f.name).collect::<Vec<_>>().join(", ");
            return Err(LayoutError::UnknownField { field: name, feed, known });
        };
        fields[place] = Some(map_field(feed, format, place, field)?);
    }
    Ok(fields)
}

fn pattern(key: &str, given: Option<String>) -> Result<Option<String>, LayoutError> {
    match given.as_deref().and_then(date::fault) {
        Some(known) => Err(not_known(key, given.as_deref().unwrap_or_default(), known)),
        None => Ok(given),
    }
}

fn map_field(feed: Feed, format: Format, place: usize, raw: RawField) -> Result<FieldMap, LayoutError> {
    let Field { name, kind, .. } = feed.fields()[place];
    let not_here = |key, only| LayoutError::NotHere { field: name.to_owned(), key, only };
    let key = |key: &str| format!("[field.{name}] {key}");
    if raw.from.is_some() && raw.value.is_some() && feed != Feed::Listings {
        return Err(LayoutError::FromAndValue { field: name.to_owned() });
    }
    if kind != Kind::Date && raw.date.is_some() {
        return Err(not_here("date", "orderDate and dateModified"));
    }
    if kind != Kind::Date && raw.zone.is_some() {
        return Err(not_here("zone", "orderDate and dateModified"));
    }
    if kind != Kind::Price && raw.per.is_some() {
        return Err(not_here("per", "an order's price"));
    }
    if !matches!(kind, Kind::Number | Kind::Price) && raw.decimal.is_some() {
        return Err(not_here("decimal", "numbers"));
    }
    if kind != Kind::Word && !raw.words.is_empty() {
        return Err(not_here("words", "a field with words of a closed list, such as orderStatus,"));
    }
    let is_told = kind == Kind::Number && feed == Feed::Listings && format != Format::Csv;
    if !is_told && raw.as_what.is_some() {
        return Err(not_here("as", "numbers of listings as JSON"));
    }
    let own = own_field(feed, format, place);
    let from = raw.from.unwrap_or(own.from);
    let pointer = match format {
        Format::Csv => own.pointer,
        _ => one_of(&key("from"), Some(&from), "a JSON Pointer, such as /price", Pointer::parse)?
            .unwrap_or_default(),
    };
    let zone = raw.zone.as_deref().map(Zone::from_name).transpose();
    let known = "only {file} and {row} in braces";
    Ok(FieldMap {
        from,
        pointer,
        value: one_of(&key("value"), raw.value.as_deref(), known, Template::parse)?,
        date: pattern(&key("date"), raw.date)?,
        zone: zone.map_err(|source| LayoutError::Zone { field: name.to_owned(), source })?,
        per_line: one_of(&key("per"), raw.per.as_deref(), "unit or line", |p| match p {
            "unit" => Some(false),
            "line" => Some(true),
            _ => None,
        })?
        .unwrap_or(false),
        decimal_comma: one_of(&key("decimal"), raw.decimal.as_deref(), "\".\" or \",\"", |d| match d {
            "." => Some(false),
            "," => Some(true),
            _ => None,
        })?
        .unwrap_or(false),
        as_number: one_of(&key("as"), raw.as_what.as_deref(), "text or number", |a| match a {
            "text" => Some(false),
            "number" => Some(true),
            _ => None,
        })?
        .unwrap_or(own.as_number),
        words: raw.words,
    })
}
