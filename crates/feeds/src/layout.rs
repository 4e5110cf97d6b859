//! How another program's CSV or JSON maps to our fields.

use crate::fields::{Feed, Field, order};
use crate::layout_extra::{self, Extra};
use crate::layout_field::{FieldMap, map_fields, own_field};
use crate::layout_toml::{RawIgnore, RawLayout};
pub(crate) use crate::pointer::{MAX_SEGMENTS, Pointer};
use crate::toml_text;
use domain::channel::{Channel, NotAChannel};
use domain::day::DayError;

/// The format of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// CSV as in RFC 4180, and similar.
    Csv,
    /// One JSON document.
    Json,
    /// One JSON value per line.
    JsonLines,
}

impl Format {
    /// By the file name's extension; anything but JSON is read as CSV.
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

/// The character encoding of a file.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Encoding {
    /// Only ASCII so far.
    Ascii,
    /// UTF-8.
    Utf8,
    /// Windows-1252, as older spreadsheets write.
    Windows1252,
}

/// What separates the fields of a row.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Delimiter {
    /// One character between two fields.
    One(u8),
    /// Runs of spaces; those at the start of a row are ignored.
    Spaces,
}

impl Delimiter {
    /// The byte that separates two fields.
    pub(crate) fn byte(self) -> u8 {
        match self {
            Self::One(byte) => byte,
            Self::Spaces => b' ',
        }
    }
}

/// Which columns are ignored.
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

/// What is wrong with a layout.
#[derive(Debug, thiserror::Error)]
pub enum LayoutError {
    /// Not TOML, or an unknown key.
    #[error("the layout cannot be read: {source}")]
    Toml {
        /// The TOML reader's message.
        #[source]
        source: Box<toml::de::Error>,
    },
    /// A value that the key cannot have.
    #[error("the layout's {key} = \"{value}\" is not known; use {known}")]
    Value {
        /// The key.
        key: String,
        /// The value as written.
        value: String,
        /// The values it can have.
        known: &'static str,
    },
    /// A field that the feed does not have.
    #[error("the layout's [field.{field}] is not a field of {feed}; its fields are {known}")]
    UnknownField {
        /// The field as written.
        field: String,
        /// The feed it is not a field of.
        feed: Feed,
        /// The fields that the feed has.
        known: String,
    },
    /// A key that this field cannot have.
    #[error("the layout's [field.{field}] cannot have {key}: only {only} can")]
    NotHere {
        /// The field's name.
        field: String,
        /// The key that it cannot have.
        key: &'static str,
        /// The fields that can have it.
        only: &'static str,
    },
    /// A key that this format or feed cannot have.
    #[error("the layout's {key} is only for {only}; take it out")]
    NotForThis {
        /// The key that it cannot have.
        key: &'static str,
        /// The format or feed that can have it.
        only: &'static str,
    },
    /// A field with both a column and a constant.
    #[error("the layout's [field.{field}] has both from and value; keep one of them")]
    FromAndValue {
        /// The field's name.
        field: String,
    },
    /// A key without another that it needs.
    #[error("the layout has {given} and no {wanting}; an order's refunds in a list of their own need both")]
    OneWithout {
        /// The key that is there.
        given: &'static str,
        /// The key that is missing.
        wanting: &'static str,
    },
    /// A required field is missing.
    #[error("the layout has no [field.{field}], which {feed} need; say where it comes from")]
    Missing {
        /// The field's name.
        field: &'static str,
        /// The feed that needs it.
        feed: Feed,
    },
    /// No field says what was sold.
    #[error(
        "the layout has none of [field.sku], [field.gtin13] and [field.name]; an order's line must name what was sold"
    )]
    NamesNothing,
    /// Both `channel` and `[field.channel]`.
    #[error("the layout has both channel and [field.channel]; keep one of them")]
    ChannelTwice,
    /// Not a channel code.
    #[error("the layout's channel: {source}")]
    Channel {
        /// What is wrong with it.
        #[source]
        source: NotAChannel,
    },
    /// Not a time zone.
    #[error("the layout's zone of [field.{field}]: {source}")]
    Zone {
        /// The field's name.
        field: String,
        /// What is wrong with the zone.
        #[source]
        source: DayError,
    },
}

/// How a file maps to our fields: built in for our own names, or read from TOML.
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
    /// The place of an order's refunds if they are in a list of their own, and how each is read.
    pub(crate) refunds: Option<(Pointer, Box<Layout>)>,
    /// What a message contains besides the fields.
    pub(crate) extra: Vec<Extra>,
    /// The layout has our own names: a column that is not required may be missing.
    pub(crate) built_in: bool,
}

impl Layout {
    /// Our own field names, which are schema.org's.
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
            refunds: None,
            extra: Vec::new(),
            built_in: true,
        }
    }

    /// Reads and checks a layout's TOML.
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
        let refunds = one_of("refunds", raw.refunds.as_deref(), pointers, Pointer::parse)?;
        let back = map_fields(feed, format, raw.refund)?;
        let mut layout = Self {
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
            refunds: None,
            extra: layout_extra::read(raw.extra)?,
            built_in: false,
        };
        layout.refuse_gaps()?;
        layout.refunds = refunds.map(|at| (at, Box::new(layout.of_refunds(back))));
        Ok(layout)
    }

    /// How each refund in such a list is read.
    fn of_refunds(&self, fields: Vec<Option<FieldMap>>) -> Self {
        Self { fields, lines: None, refunds: None, extra: Vec::new(), ..self.clone() }
    }

    /// The same layout for another format: the rejects of a JSON document are JSON Lines.
    #[must_use]
    pub fn with_format(mut self, format: Format) -> Self {
        if self.built_in {
            return Self::built_in(self.feed, format);
        }
        self.format = format;
        self
    }

    /// The feed it is for.
    pub fn feed(&self) -> Feed {
        self.feed
    }

    /// The format of its files.
    pub fn format(&self) -> Format {
        self.format
    }

    /// Whether a field comes from a column or a constant.
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

/// Members of our own JSON-LD that no field comes from.
fn own_ignored(feed: Feed, format: Format) -> Vec<String> {
    match (feed, format) {
        (Feed::Listings, Format::Json | Format::JsonLines) => {
            ["/additionalProperty/propertyID", "/offers/inventoryLevel/unitCode"].map(str::to_owned).to_vec()
        }
        _ => Vec::new(),
    }
}

pub(crate) fn not_known(key: &str, value: &str, known: &'static str) -> LayoutError {
    let value = value.chars().take(40).collect();
    LayoutError::Value { key: key.to_owned(), value, known }
}

pub(crate) fn one_of<T>(
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
        ("refunds", raw.refunds.is_some() && raw.lines.is_none(), "orders as JSON with lines"),
        ("channel", raw.channel.is_some() && feed != Feed::Orders, "orders"),
        (
            "extra",
            !raw.extra.is_empty() && (feed != Feed::Listings || format != Format::Json),
            "listings as JSON",
        ),
    ];
    if raw.refunds.is_some() == raw.refund.is_empty() {
        let (given, wanting) =
            if raw.refunds.is_some() { ("refunds", "[refund.…]") } else { ("[refund.…]", "refunds") };
        return Err(LayoutError::OneWithout { given, wanting });
    }
    let of_refund = ["refundNumber", "sku", "gtin13", "name", "orderQuantity", "price"];
    if let Some(field) = raw.refund.keys().find(|name| !of_refund.contains(&name.as_str())) {
        return Err(LayoutError::UnknownField { field: field.clone(), feed, known: of_refund.join(", ") });
    }
    match checks.into_iter().find(|(_, misplaced, _)| *misplaced) {
        Some((key, _, only)) => Err(LayoutError::NotForThis { key, only }),
        None => Ok(()),
    }
}
