//! What is wrong with a file or with one of its records, in words for the shopkeeper.

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

/// How much of a value is shown in a message.
const SHOWN_CHARS: usize = 40;

/// Why a whole file is refused before any of it is taken.
#[derive(Debug, thiserror::Error)]
pub enum FeedError {
    /// The file cannot be read.
    #[error("the file cannot be read: {source}")]
    Read {
        /// What the system says.
        #[source]
        source: std::io::Error,
    },
    /// UTF-16 or UTF-32.
    #[error("the file is written in UTF-16; save it again as UTF-8")]
    Utf16,
    /// Packed, or a workbook.
    #[error("the file is {kind}; unpack it, or save it as CSV, and feed the text file")]
    Compressed {
        /// What it is.
        kind: &'static str,
    },
    /// A CSV without even a heading.
    #[error("the file is empty; its first line must name the columns")]
    Empty,
    /// The heading is broken.
    #[error("line 1 should name the columns, but {why}")]
    Heading {
        /// In which way.
        #[source]
        why: Cause,
    },
    /// Columns that nobody asked for.
    #[error(
        "the file has columns that {feed} do not have: {names}; take them out, or name them under ignore in a layout"
    )]
    UnknownColumns {
        /// The feed.
        feed: Feed,
        /// The columns.
        names: String,
    },
    /// Two columns of one name.
    #[error("the file has the column “{heading}” twice; keep one of them")]
    ColumnTwice {
        /// The heading.
        heading: String,
    },
    /// A column that must be there is not.
    #[error(
        "the file has no column “{heading}”, from which {field} should come; add it, or say in a layout where it stands"
    )]
    MissingColumn {
        /// Our field.
        field: &'static str,
        /// The heading looked for.
        heading: String,
    },
    /// Order lines that name nothing.
    #[error(
        "the file has no column for sku or gtin13, so that nobody could tell what was sold; map one in the layout"
    )]
    NoCode,
    /// The layout is for something else.
    #[error("the layout is for {layout}, and this is a file of {wanted}")]
    OtherFeed {
        /// What the layout is for.
        layout: Feed,
        /// What was asked for.
        wanted: Feed,
    },
    /// The JSON is broken before its first record.
    #[error("line {line}: this is not JSON: {why}")]
    NotJson {
        /// The line.
        line: u64,
        /// Why.
        why: &'static str,
    },
    /// The place of the records is not in the document.
    #[error("the document has no list at “{pointer}”; say in the layout's each where the records stand")]
    NoRecords {
        /// The JSON Pointer.
        pointer: String,
    },
    /// A page of JSON that ends in the middle.
    #[error("line {line}: {why}")]
    BreaksOff {
        /// The line.
        line: u64,
        /// Why.
        why: String,
    },
    /// More than the first pass can remember.
    #[error("the file has more than {MAX_ORDERS} orders; part it and feed the parts in one after the other")]
    TooManyOrders,
}

/// Why a record is refused.
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
    /// A text that is not kept.
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
    /// Nothing where something must be.
    #[error("this may not be empty; fill it in")]
    Missing,
    /// Not one of a closed list.
    #[error("this is not known here; use {known}")]
    NotAWord {
        /// The list.
        known: String,
    },
    /// A comma in a number with a decimal point.
    #[error(
        "numbers here have a decimal point, as in 47.50; write it so, or say decimal = \",\" below [field.{field}] in a layout"
    )]
    CommaDecimal {
        /// Our field.
        field: &'static str,
    },
    /// A point in a number with a decimal comma.
    #[error("the layout says that numbers here have a decimal comma; write 47,50 and no points")]
    DecimalComma,
    /// Below nothing.
    #[error("this may not be below 0")]
    Negative,
    /// A live order's price of 0.
    #[error("the price is 0; mend it, or feed past orders in with --past")]
    PriceZero,
    /// An order of nothing.
    #[error(
        "the quantity is 0; take the row out, or write what was sold (below 0: what came back); for money given \
         back without goods write the price below 0"
    )]
    QuantityZero,
    /// Shipping, fee or discount beside goods that came back.
    #[error("this row tells of a refund; leave this empty on it")]
    MoneyOnRefund,
    /// A refund in a list of its own that gives nothing back.
    #[error(
        "this refund says neither which goods came back nor how much money; in the layout map sku and orderQuantity \
         of its goods, or price for money alone"
    )]
    RefundOfNothing,
    /// A value without its other half.
    #[error("this needs {other} beside it; fill in both or neither")]
    NeedsOther {
        /// The other field.
        other: &'static str,
    },
    /// Does not go with the item's kind.
    #[error("{why}")]
    KindConflict {
        /// In which way.
        why: &'static str,
    },
    /// Nothing tells what was sold.
    #[error("the row names nothing that was sold; give {wanted}")]
    NamesNothing {
        /// Which fields would.
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
    /// A quote in a field that is not quoted.
    #[error(
        "a quotation mark stands inside a field that is not quoted; quote the whole field and double the mark"
    )]
    StrayQuote,
    /// Text behind a closing quote.
    #[error(
        "something stands between a closing quotation mark and the end of the field; double a mark that belongs to the text"
    )]
    AfterQuote,
    /// A quote that is never closed.
    #[error("a quotation mark is opened here and never closed; close it")]
    OpenQuote,
    /// Too long.
    #[error(
        "the row is longer than {MAX_ROW_BYTES} bytes; is a line end or a closing quotation mark missing?"
    )]
    TooLong,
    /// Too many fields.
    #[error("the row has more than {MAX_FIELDS} fields; is this the right file?")]
    TooManyFields,
    /// U+0000.
    #[error("the row holds a NUL byte; the file may be damaged or written in UTF-16: save it again as UTF-8")]
    Nul,
    /// Not UTF-8 in a UTF-8 file.
    #[error("the row holds bytes that are not UTF-8, though the rest of the file is; write the text again")]
    NotUtf8,
    /// Broken JSON.
    #[error("this is not JSON: {why}")]
    NotJson {
        /// What the reader says.
        why: String,
    },
    /// A JSON value that is no object.
    #[error("a record must be a JSON object in braces")]
    NotAnObject,
    /// A list in place of an object.
    #[error("“{path}” is a list here; write an object in braces with its fields by name")]
    ListForObject {
        /// Its JSON Pointer.
        path: String,
    },
    /// A list or object where text or a number is wanted.
    #[error("this must be a text or a number")]
    NotAText,
    /// A member twice.
    #[error("the record has “{name}” twice; keep one of them")]
    MemberTwice {
        /// The member.
        name: String,
    },
    /// A member that nobody asked for.
    #[error(
        "the record has “{path}”, which is not known here; take it out, or name it under ignore in a layout"
    )]
    UnknownMember {
        /// Its JSON Pointer.
        path: String,
    },
    /// The order's rows are parted.
    #[error("rows of this order stand in several places of the file; put them together")]
    Split,
    /// A broken row stands next to the order and may belong to it.
    #[error("line {line}, next to this order, cannot be read and may belong to it; mend that line")]
    Beside {
        /// The broken row's line.
        line: u64,
    },
    /// The order's rows say different things.
    #[error("line {line} of the same order says something else here; make them agree")]
    Disagrees {
        /// The first row that gave the value.
        line: u64,
    },
    /// Too many lines.
    #[error("the order has more than {MAX_LINES} lines; part it into several orders")]
    TooManyLines,
    /// Too many bytes.
    #[error("the order's rows have more than {MAX_ORDER_BYTES} bytes; part it into several orders")]
    OrderTooLong,
    /// No lines.
    #[error("the order has no lines")]
    NoLines,
    /// The file cannot be read any further.
    #[error("the file cannot be read from here on ({why}); nothing behind it was taken")]
    FileEnds {
        /// Why.
        why: String,
    },
    /// Refused by somebody else than the reader.
    #[error("{why}")]
    Refused {
        /// Why.
        why: String,
    },
}

/// Of a value so much is looked at for a message; it shows less, and nothing that lies beyond this.
const KEPT_CHARS: usize = 1000;

/// A problem on its way to become a [`Reject`].
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

/// The beginning of a value, fit for a message: no card's number, not even a part of one.
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

/// A record that is not taken: where, what, and what to do.
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

    /// More rows of what was refused before.
    pub(crate) fn continued(mut self) -> Self {
        self.0.continues = true;
        self
    }

    /// With its rows as they may be kept.
    pub(crate) fn with_rows(mut self, rows: Rows) -> Self {
        self.0.rows = rows;
        self
    }

    /// Whether these are more rows of the order that was refused before them: they belong to the rejects
    /// file, and to the same one message.
    pub fn continues(&self) -> bool {
        self.0.continues
    }

    /// Says which field, what the file calls it, and what stood there.
    pub(crate) fn in_field(mut self, field: &'static str, heading: String, value: &str) -> Self {
        self.0.field = Some(field);
        self.0.heading = heading;
        self.0.value = if is_code(field) { beginning(value) } else { shortened(value) };
        self
    }

    pub(crate) fn of_order(mut self, number: &str) -> Self {
        // A number is a code and no free text: some of them only look like a card's.
        self.0.order = (!number.is_empty()).then(|| beginning(number));
        self
    }

    /// A record that was read well and that the ledger refuses.
    pub fn refused<T>(parsed: Parsed<T>, why: String) -> Self {
        Self::new(parsed.line, Cause::Refused { why }, parsed.rows)
    }

    /// The line, from 1.
    pub fn line(&self) -> u64 {
        self.0.line
    }

    /// Our field, if one is to blame.
    pub fn field(&self) -> Option<&'static str> {
        self.0.field
    }

    /// The order's number, if it is known.
    pub fn order(&self) -> Option<&str> {
        self.0.order.as_deref()
    }

    /// Why.
    pub fn cause(&self) -> &Cause {
        &self.0.cause
    }

    /// Its rows, for the rejects file; none if the file itself ended early.
    pub fn rows(&self) -> &Rows {
        &self.0.rows
    }

    /// Whether nothing behind this could be read.
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
        // What a reason says of a value may show it too.
        write!(f, ": {}", masked(&cause.to_string()))
    }
}

impl std::error::Error for Reject {
    fn source(&self) -> Option<&(dyn std::error::Error + 'static)> {
        Some(&self.0.cause)
    }
}
