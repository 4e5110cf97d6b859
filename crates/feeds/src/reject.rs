//! What is wrong with a file or one of its records, in words for the shopkeeper.

use crate::date::DateError;
use crate::fields::{Feed, is_code};
use crate::record::{Parsed, Rows};
use crate::{MAX_FIELDS, MAX_ORDER_BYTES, MAX_ORDERS, MAX_ROW_BYTES};
use domain::basket::MAX_LINES;
use domain::channel::NotAChannel;
use domain::codes::CodeError;
use domain::masked::masked;
use domain::money::MoneyError;
use domain::order::NotANumber;
use domain::pricing::PriceError;
use domain::quantity::QuantityError;
use domain::text::TextError;
use domain::weight::WeightError;
use std::fmt;

/// How many characters of a value a message shows.
const SHOWN_CHARS: usize = 40;

/// Why a whole file is refused, before any of it is accepted.
#[derive(Debug, thiserror::Error)]
pub enum FeedError {
    /// The file cannot be read.
    #[error("the file cannot be read: {source}")]
    Read {
        /// The system's error.
        #[source]
        source: std::io::Error,
    },
    /// UTF-16 or UTF-32.
    #[error("the file is written in UTF-16; save it again as UTF-8")]
    Utf16,
    /// A compressed file or a workbook.
    #[error("the file is {kind}; unpack it, or save it as CSV, and use the text file")]
    Compressed {
        /// What kind of file it is.
        kind: &'static str,
    },
    /// A CSV file without a heading.
    #[error("the file is empty; its first line must name the columns")]
    Empty,
    /// The heading is broken.
    #[error("line 1 should name the columns, but {why}")]
    Heading {
        /// What is wrong with it.
        #[source]
        why: Cause,
    },
    /// Unknown columns.
    #[error(
        "the file has columns that {feed} do not have: {names}; remove them, or list them under ignore in a layout"
    )]
    UnknownColumns {
        /// The feed that does not have them.
        feed: Feed,
        /// Their names.
        names: String,
    },
    /// Two columns with the same name.
    #[error("the file has the column “{heading}” twice; keep one of them")]
    ColumnTwice {
        /// The name in the heading.
        heading: String,
    },
    /// A required column is missing.
    #[error(
        "the file has no column “{heading}”, from which {field} should come; add it, or say in a layout where it is"
    )]
    MissingColumn {
        /// The field's name.
        field: &'static str,
        /// The heading that was looked for.
        heading: String,
    },
    /// No column says what was sold.
    #[error(
        "the file has no column for sku or gtin13, so it would not be known what was sold; map one in the layout"
    )]
    NoCode,
    /// The layout is for another feed.
    #[error("the layout is for {layout}, and this is a file of {wanted}")]
    OtherFeed {
        /// The feed of the layout.
        layout: Feed,
        /// The feed that was expected.
        wanted: Feed,
    },
    /// The JSON is broken before its first record.
    #[error("line {line}: this is not JSON: {why}")]
    NotJson {
        /// The line, from 1.
        line: u64,
        /// What is wrong with it.
        why: &'static str,
    },
    /// The document has no records at the given place.
    #[error("the document has no list at “{pointer}”; set the layout's each to where the records are")]
    NoRecords {
        /// The JSON Pointer from the layout.
        pointer: String,
    },
    /// A page of JSON that breaks off.
    #[error("line {line}: {why}")]
    BreaksOff {
        /// The line, from 1.
        line: u64,
        /// What is wrong with it.
        why: String,
    },
    /// More than [`MAX_ORDERS`].
    #[error("the file has more than {MAX_ORDERS} orders; split it and take in the parts one after the other")]
    TooManyOrders,
}

/// Why a record is rejected.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum Cause {
    /// Not an amount.
    #[error(transparent)]
    Money(#[from] MoneyError),
    /// Not a weight.
    #[error(transparent)]
    Weight(#[from] WeightError),
    /// Not a quantity.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
    /// Not a code.
    #[error(transparent)]
    Code(#[from] CodeError),
    /// A text that cannot be kept.
    #[error(transparent)]
    Text(#[from] TextError),
    /// Not a date.
    #[error(transparent)]
    Date(#[from] DateError),
    /// Not a rate or ending.
    #[error(transparent)]
    Price(#[from] PriceError),
    /// Not a channel.
    #[error(transparent)]
    Channel(#[from] NotAChannel),
    /// Not an order or refund number.
    #[error(transparent)]
    Number(#[from] NotANumber),
    /// Empty, but required.
    #[error("this may not be empty; fill it in")]
    Missing,
    /// Not a word from a fixed list.
    #[error("this is not known here; use {known}")]
    NotAWord {
        /// The words in that list.
        known: String,
    },
    /// A comma in a number where decimals have a point.
    #[error(
        "numbers here have a decimal point, as in 47.50; write it that way, or set decimal = \",\" below [field.{field}] in a layout"
    )]
    CommaDecimal {
        /// The field's name.
        field: &'static str,
    },
    /// A point in a number where decimals have a comma.
    #[error("the layout says that numbers here have a decimal comma; write 47,50 and no points")]
    DecimalComma,
    /// Below 0.
    #[error("this may not be below 0")]
    Negative,
    /// A price of 0 in an order that is not a past order.
    #[error("the price is 0; correct it, or take in past orders with --past")]
    PriceZero,
    /// A quantity of 0.
    #[error(
        "the quantity is 0; take the row out, or write what was sold (below 0: what came back); for money given \
         back without goods write the price below 0"
    )]
    QuantityZero,
    /// Shipping, fee or discount on a refund row.
    #[error("this row is a refund; leave this field empty")]
    MoneyOnRefund,
    /// A refund in a list of its own that returns nothing.
    #[error(
        "this refund says neither which goods came back nor how much money; in the layout map sku and orderQuantity \
         of its goods, or price for money alone"
    )]
    RefundOfNothing,
    /// A value that needs another one.
    #[error("this needs {other} too; fill in both or neither")]
    NeedsOther {
        /// The other field's name.
        other: &'static str,
    },
    /// Something that the item's kind cannot have.
    #[error("{why}")]
    KindConflict {
        /// What does not fit.
        why: &'static str,
    },
    /// Nothing says what was sold.
    #[error("the row names nothing that was sold; give {wanted}")]
    NamesNothing {
        /// The fields that would say it.
        wanted: &'static str,
    },
    /// Too few or too many fields.
    #[error(
        "the row has {found} fields and the first row has {expected}; is a line broken, or a comma not quoted?"
    )]
    FieldCount {
        /// In this row.
        found: usize,
        /// In the heading.
        expected: usize,
    },
    /// A quote in an unquoted field.
    #[error(
        "a quotation mark is inside a field that is not quoted; quote the whole field and double the mark"
    )]
    StrayQuote,
    /// Text after a closing quote.
    #[error(
        "there is text between a closing quotation mark and the end of the field; double a mark that belongs to the text"
    )]
    AfterQuote,
    /// A quote that is not closed.
    #[error("a quotation mark is opened here and never closed; close it")]
    OpenQuote,
    /// Longer than [`MAX_ROW_BYTES`].
    #[error(
        "the row is longer than {MAX_ROW_BYTES} bytes; is a line end or a closing quotation mark missing?"
    )]
    TooLong,
    /// More than [`MAX_FIELDS`].
    #[error("the row has more than {MAX_FIELDS} fields; is this the right file?")]
    TooManyFields,
    /// A NUL byte (U+0000).
    #[error(
        "the row contains a NUL byte; the file may be damaged or written in UTF-16: save it again as UTF-8"
    )]
    Nul,
    /// Bytes that are not UTF-8 in a UTF-8 file.
    #[error("the row contains bytes that are not UTF-8, though the rest of the file is; type the text again")]
    NotUtf8,
    /// Broken JSON.
    #[error("this is not JSON: {why}")]
    NotJson {
        /// The JSON reader's message.
        why: String,
    },
    /// A JSON value that is not an object.
    #[error("a record must be a JSON object in braces")]
    NotAnObject,
    /// A list in place of an object.
    #[error("“{path}” is a list here; write an object in braces with its fields by name")]
    ListForObject {
        /// Its JSON Pointer.
        path: String,
    },
    /// A list or object in place of a text or number.
    #[error("this must be a text or a number")]
    NotAText,
    /// A member that comes twice.
    #[error("the record has “{name}” twice; keep one of them")]
    MemberTwice {
        /// The member's name.
        name: String,
    },
    /// An unknown member.
    #[error(
        "the record has “{path}”, which is not known here; remove it, or list it under ignore in a layout"
    )]
    UnknownMember {
        /// Its JSON Pointer.
        path: String,
    },
    /// The order's rows are not together.
    #[error("rows of this order are in several places of the file; put them together")]
    Split,
    /// A broken row next to the order, which may belong to it.
    #[error("line {line}, next to this order, cannot be read and may belong to it; correct that line")]
    Beside {
        /// The broken row's line, from 1.
        line: u64,
    },
    /// The order's rows contradict each other.
    #[error("line {line} of the same order has another value here; make them agree")]
    Disagrees {
        /// The first row that gave the value, from 1.
        line: u64,
    },
    /// More than [`MAX_LINES`].
    #[error("the order has more than {MAX_LINES} lines; split it into several orders")]
    TooManyLines,
    /// More than [`MAX_ORDER_BYTES`].
    #[error("the order's rows have more than {MAX_ORDER_BYTES} bytes; split it into several orders")]
    OrderTooLong,
    /// An order without lines.
    #[error("the order has no lines")]
    NoLines,
    /// The file cannot be read any further.
    #[error("the file cannot be read from here on ({why}); nothing after it was taken in")]
    FileEnds {
        /// The reason, for people.
        why: String,
    },
    /// Rejected later, by whoever booked it.
    #[error("{why}")]
    Refused {
        /// The reason, for people.
        why: String,
    },
}

/// How many characters of a value are looked at for a message, which shows fewer.
const KEPT_CHARS: usize = 1000;

/// A problem on its way to becoming a [`Reject`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Problem {
    pub(crate) line: Option<u64>,
    pub(crate) field: Option<usize>,
    pub(crate) value: String,
    pub(crate) cause: Cause,
}

impl Problem {
    pub(crate) fn new(cause: impl Into<Cause>) -> Self {
        Self { line: None, field: None, value: String::new(), cause: cause.into() }
    }

    pub(crate) fn at(field: usize, value: &str, cause: impl Into<Cause>) -> Self {
        let value = value.chars().take(KEPT_CHARS).collect();
        Self { line: None, field: Some(field), value, cause: cause.into() }
    }
}

/// The beginning of a value for a message, without any part of a card number.
pub(crate) fn shortened(value: &str) -> String {
    beginning(&masked(value))
}

fn beginning(value: &str) -> String {
    let mut shown: String =
        value.chars().take(SHOWN_CHARS).map(|c| if c.is_control() { '\u{fffd}' } else { c }).collect();
    if value.chars().nth(SHOWN_CHARS).is_some() {
        shown.push('…');
    }
    shown
}

/// A rejected record: where it is, what is wrong, and what to do.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reject(Box<Inner>);

#[derive(Debug, Clone, PartialEq, Eq)]
struct Inner {
    line: u64,
    field: Option<&'static str>,
    heading: String,
    value: String,
    order: Option<String>,
    cause: Cause,
    rows: Rows,
    continues: bool,
}

impl Reject {
    pub(crate) fn new(line: u64, cause: Cause, rows: Rows) -> Self {
        let (heading, value) = (String::new(), String::new());
        let inner = Inner { line, field: None, heading, value, order: None, cause, rows, continues: false };
        Self(Box::new(inner))
    }

    /// Marks it as more rows of what was rejected before.
    pub(crate) fn continued(mut self) -> Self {
        self.0.continues = true;
        self
    }

    /// Replaces its rows with a version that may be kept.
    pub(crate) fn with_rows(mut self, rows: Rows) -> Self {
        self.0.rows = rows;
        self
    }

    /// Whether these are more rows of the order that was rejected just before: they go to the rejects
    /// file, but share its message.
    pub fn continues(&self) -> bool {
        self.0.continues
    }

    /// Adds the field, its heading in the file, and its value.
    pub(crate) fn in_field(mut self, field: &'static str, heading: String, value: &str) -> Self {
        self.0.field = Some(field);
        self.0.heading = heading;
        self.0.value = if is_code(field) { beginning(value) } else { shortened(value) };
        self
    }

    pub(crate) fn of_order(mut self, number: &str) -> Self {
        // An order number is a code and not free text: some look like card numbers.
        self.0.order = (!number.is_empty()).then(|| beginning(number));
        self
    }

    /// Rejects an accepted record for a reason from the ledger.
    pub fn refused<T>(parsed: Parsed<T>, why: String) -> Self {
        Self::new(parsed.line, Cause::Refused { why }, parsed.rows)
    }

    /// The line, from 1.
    pub fn line(&self) -> u64 {
        self.0.line
    }

    /// The field that causes it, if one does.
    pub fn field(&self) -> Option<&'static str> {
        self.0.field
    }

    /// The order's number, if it is known.
    pub fn order(&self) -> Option<&str> {
        self.0.order.as_deref()
    }

    /// What is wrong.
    pub fn cause(&self) -> &Cause {
        &self.0.cause
    }

    /// Its rows, for the rejects file; none if the file itself broke off.
    pub fn rows(&self) -> &Rows {
        &self.0.rows
    }

    /// Whether nothing after this could be read.
    pub fn ends_file(&self) -> bool {
        matches!(self.0.cause, Cause::FileEnds { .. })
    }
}

impl fmt::Display for Reject {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Inner { line, field, heading, value, order, cause, .. } = &*self.0;
        write!(f, "line {line}")?;
        if let Some(order) = order {
            write!(f, ", order {order}")?;
        }
        if let Some(field) = field {
            write!(f, ", {field}")?;
            if !heading.is_empty() && heading != field {
                write!(f, " (“{heading}”)")?;
            }
        }
        if !value.is_empty() {
            write!(f, " = “{value}”")?;
        }
        if field.is_some_and(is_code) {
            return write!(f, ": {cause}");
        }
        // The reason may quote the value too.
        write!(f, ": {}", masked(&cause.to_string()))
    }
}

impl std::error::Error for Reject {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(&self.0.cause)
    }
}
