//! Finds items: turns a search into one statement that only reads an index.

use crate::shelf::find_text::{COLOR_MARK, color_words, size_mark};
use crate::shelf::item_view;
use crate::shelf::items::ItemView;
use crate::shelf::styles::StyleView;
use crate::shelf::tags::IS_OUTDATED;
use crate::store::Ledger;
use crate::store::error::{CommandError, Naming};
use crate::store::rejection::{Rejection, ShelfReason};
use domain::day::Moment;
use domain::ids::{self, NotAnId, StyleId};
use domain::money::Money;
use domain::text::{self, MAX_NAME_CHARS, TextError};
use domain::weight::Weight;
use sqlx::{AssertSqlSafe, Row};
use std::borrow::Cow;
use std::fmt::{self, Write};
use std::str::FromStr;

/// The most words in a search; each needs a pass over the text of every item.
pub const MAX_FIND_WORDS: usize = 8;

/// Which styles to search.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FindStyle {
    /// With any style or none.
    #[default]
    Any,
    /// Items without a style.
    None,
    /// Items of this style.
    One(StyleId),
}

/// The state of an item.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FindState {
    /// In stock, on hold or free.
    #[default]
    OnShelf,
    /// In stock, with some on hold.
    Held,
    /// Nothing left.
    SoldOut,
    /// In stock, and not to be listed.
    KeptOff,
    /// Free, may be listed, and is not.
    Unlisted,
    /// In stock, and no tag of it was printed yet.
    TagMissing,
    /// In stock, and its latest tag says something else than a new one would.
    TagOutdated,
    /// Every item there ever was, but for those that were entered by mistake.
    All,
}

impl FindState {
    /// In the order in which they are shown.
    pub const ALL: [Self; 8] = [
        Self::OnShelf,
        Self::Held,
        Self::SoldOut,
        Self::KeptOff,
        Self::Unlisted,
        Self::TagMissing,
        Self::TagOutdated,
        Self::All,
    ];

    /// The code in addresses.
    pub fn code(self) -> &'static str {
        match self {
            Self::OnShelf => "on-shelf",
            Self::Held => "held",
            Self::SoldOut => "sold-out",
            Self::KeptOff => "kept-off",
            Self::Unlisted => "unlisted",
            Self::TagMissing => "tag-missing",
            Self::TagOutdated => "tag-outdated",
            Self::All => "all",
        }
    }

    /// The state with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.code() == code)
    }

    /// `on_hand > 0` stands by itself, so that the index of items in stock is used.
    fn condition(self) -> Cow<'static, str> {
        Cow::Borrowed(match self {
            Self::OnShelf => " AND i.on_hand > 0",
            Self::Held => " AND i.held > 0",
            Self::SoldOut => " AND i.on_hand = 0 AND i.removed = 0",
            Self::KeptOff => " AND i.on_hand > 0 AND i.do_not_list = 1",
            Self::Unlisted => {
                " AND i.on_hand > 0 AND i.on_hand > i.held AND i.do_not_list = 0 AND NOT EXISTS (SELECT 1 FROM online_offer o \
                 WHERE o.item_id = i.id)"
            }
            Self::TagMissing => {
                " AND i.on_hand > 0 AND NOT EXISTS (SELECT 1 FROM printed_tag t WHERE t.item_id = i.id)"
            }
            Self::TagOutdated => {
                return Cow::Owned(format!(
                    " AND i.on_hand > 0 AND EXISTS (SELECT 1 FROM printed_tag t WHERE t.item_id = i.id AND {IS_OUTDATED})"
                ));
            }
            Self::All => " AND i.removed = 0",
        })
    }
}

/// How to sort.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum FindSort {
    /// Added last.
    #[default]
    Newest,
    /// Added first.
    Oldest,
    /// The lowest price.
    Cheapest,
    /// The highest price.
    Dearest,
    /// The lowest weight; items without a weight come first.
    Lightest,
    /// The highest weight.
    Heaviest,
}

impl FindSort {
    /// In the order in which they are shown.
    pub const ALL: [Self; 6] =
        [Self::Newest, Self::Oldest, Self::Cheapest, Self::Dearest, Self::Lightest, Self::Heaviest];

    /// The code in addresses.
    pub fn code(self) -> &'static str {
        match self {
            Self::Newest => "newest",
            Self::Oldest => "oldest",
            Self::Cheapest => "cheapest",
            Self::Dearest => "dearest",
            Self::Lightest => "lightest",
            Self::Heaviest => "heaviest",
        }
    }

    /// The order with this code, or none.
    pub fn from_code(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|s| s.code() == code)
    }

    /// The column, the comparison with the previous row, and the direction.
    fn parts(self) -> (&'static str, &'static str, &'static str) {
        match self {
            Self::Newest => ("id", "<", "DESC"),
            Self::Oldest => ("id", ">", "ASC"),
            Self::Cheapest => ("price", ">", "ASC"),
            Self::Dearest => ("price", "<", "DESC"),
            Self::Lightest => ("mass", ">", "ASC"),
            Self::Heaviest => ("mass", "<", "DESC"),
        }
    }
}

/// A search; what is left at its default narrows nothing.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct FindItems {
    /// Words of the name, the style's name, the colors, the fibers; each must be found.
    pub words: String,
    /// Which style.
    pub style: FindStyle,
    /// The size as written, without case.
    pub size: String,
    /// Beginnings of words of a color; each must be found.
    pub color: String,
    /// Inclusive.
    pub weight_from: Option<Weight>,
    /// Inclusive.
    pub weight_to: Option<Weight>,
    /// Inclusive.
    pub price_from: Option<Money>,
    /// Inclusive.
    pub price_to: Option<Money>,
    /// Inclusive.
    pub made_from: Option<Moment>,
    /// Exclusive.
    pub made_before: Option<Moment>,
    /// Which state an item must have.
    pub state: FindState,
    /// What comes first.
    pub sort: FindSort,
}

/// Where the next page begins: the last row's position, as `price.id`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FindCursor {
    key: i64,
    id: i64,
}

impl fmt::Display for FindCursor {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}.{}", self.key, self.id)
    }
}

impl FromStr for FindCursor {
    type Err = NotAnId;
    fn from_str(text: &str) -> Result<Self, NotAnId> {
        let (key, id) = text.split_once('.').unwrap_or((text, "none"));
        let number = |text: &str| text.parse::<StyleId>().map(StyleId::raw);
        Ok(Self { key: number(key)?, id: number(id)? })
    }
}

/// A page of results.
#[derive(Clone, Debug)]
pub struct FoundItems {
    /// In the order that was asked for.
    pub items: Vec<ItemView>,
    /// Where the next page begins; none after the last.
    pub next: Option<FindCursor>,
}

/// A parameter.
#[derive(Clone, Debug, PartialEq, Eq)]
enum Value {
    Int(i64),
    Text(String),
}

/// A statement being built.
struct Asking {
    text: String,
    values: Vec<Value>,
}

impl Asking {
    /// Adds a value; returns its placeholder.
    fn place(&mut self, value: Value) -> String {
        self.values.push(value);
        format!("${}", self.values.len())
    }

    fn and(&mut self, condition: &str) {
        self.text.push_str(" AND ");
        self.text.push_str(condition);
    }

    /// `column >= value`, or another comparison.
    fn compare(&mut self, column: &str, how: &str, value: Option<i64>) {
        if let Some(value) = value {
            let place = self.place(Value::Int(value));
            self.and(&format!("{column} {how} {place}"));
        }
    }

    /// The text contains the part. Both engines have `replace`, which compares letter by letter. LIKE
    /// treats case differently in the two, and their functions for finding a position have different
    /// names.
    fn holds(&mut self, part: String) -> String {
        let place = self.place(Value::Text(part));
        format!("replace(i.folded, {place}, '') <> i.folded")
    }
}

impl FindItems {
    fn statement(
        &self,
        after: Option<FindCursor>,
        limit: usize,
        styles: &[StyleView],
    ) -> Result<Asking, CommandError> {
        let (column, beyond, direction) = self.sort.parts();
        let text =
            format!("SELECT i.id, i.{column} AS sort_key FROM item i WHERE 1 = 1{}", self.state.condition());
        let mut asking = Asking { text, values: Vec::new() };
        match self.style {
            FindStyle::Any => (),
            FindStyle::None => asking.and("i.style_id IS NULL"),
            FindStyle::One(id) => asking.compare("i.style_id", "=", Some(id.raw())),
        }
        asking.compare("i.price", ">=", self.price_from.map(Money::minor));
        asking.compare("i.price", "<=", self.price_to.map(Money::minor));
        asking.compare("i.mass", ">=", self.weight_from.map(Weight::mass));
        asking.compare("i.mass", "<=", self.weight_to.map(Weight::mass));
        if self.weight_to.is_some() && self.weight_from.is_none() {
            asking.and("i.mass > 0");
        }
        asking.compare("i.id", ">=", self.made_from.map(|m| ids::bound_of(m.millis())));
        asking.compare("i.id", "<", self.made_before.map(|m| ids::bound_of(m.millis())));
        self.words_of(&mut asking, styles)?;
        if let Some(after) = after {
            let id = asking.place(Value::Int(after.id));
            if column == "id" {
                asking.and(&format!("i.id {beyond} {id}"));
            } else {
                let key = asking.place(Value::Int(after.key));
                asking.and(&format!("(i.{column}, i.id) {beyond} ({key}, {id})"));
            }
        }
        let limit = asking.place(Value::Int(i64::try_from(limit).unwrap_or(i64::MAX)));
        // Writing to a String cannot fail.
        let _ = match column {
            // If it is named twice, SQLite uses no index of items in stock.
            "id" => write!(asking.text, " ORDER BY i.id {direction} LIMIT {limit}"),
            _ => write!(asking.text, " ORDER BY i.{column} {direction}, i.id {direction} LIMIT {limit}"),
        };
        Ok(asking)
    }

    fn words_of(&self, asking: &mut Asking, styles: &[StyleView]) -> Result<(), CommandError> {
        let folded = text::fold(&self.words);
        let words: Vec<&str> = folded.split_whitespace().collect();
        let colors = color_words(&self.color);
        if words.len() + colors.len() > MAX_FIND_WORDS {
            let reason = ShelfReason::TooManyWords { limit: MAX_FIND_WORDS };
            return Err(Rejection::invalid("words", reason).into());
        }
        for word in words {
            let mut either = asking.holds(word.to_owned());
            let of_style = styles.iter().filter(|style| text::fold(&style.name).contains(word));
            let of_style: Vec<String> =
                of_style.map(|style| asking.place(Value::Int(style.id.raw()))).collect();
            if !of_style.is_empty() {
                either = format!("({either} OR i.style_id IN ({}))", of_style.join(", "));
            }
            asking.and(&either);
        }
        for word in colors {
            let held = asking.holds(format!("{COLOR_MARK}{word}"));
            asking.and(&held);
        }
        if !self.size.trim().is_empty() {
            let held = asking.holds(size_mark(&self.size));
            asking.and(&held);
        }
        Ok(())
    }

    fn check(&self, ledger: &Ledger) -> Result<(), CommandError> {
        let currency = ledger.shop().currency;
        for (field, amount) in [("priceFrom", self.price_from), ("priceTo", self.price_to)] {
            amount.map_or(Ok(()), |a| crate::store::settings::own_money(field, a, currency))?;
        }
        for (field, text) in [("words", &self.words), ("color", &self.color), ("size", &self.size)] {
            short_enough(text).field(field)?;
        }
        Ok(())
    }
}

/// A search may be for a code, so it is not checked for card numbers.
fn short_enough(text: &str) -> Result<(), TextError> {
    if text.chars().count() > MAX_NAME_CHARS {
        return Err(TextError::TooLong { limit: MAX_NAME_CHARS });
    }
    match text.chars().find(|c| c.is_control()) {
        Some(c) => Err(TextError::NotPrintable { code: u32::from(c) }),
        None => Ok(()),
    }
}

impl Ledger {
    /// The items that are looked for, at most `limit`, behind `after` if given.
    pub async fn find_items(
        &self,
        find: &FindItems,
        after: Option<FindCursor>,
        limit: usize,
    ) -> Result<FoundItems, CommandError> {
        find.check(self)?;
        let styles = if find.words.trim().is_empty() { Vec::new() } else { self.styles().await? };
        // One more than is returned tells whether there are more.
        let asking = find.statement(after, limit + 1, &styles)?;
        let mut connection = self.reader().await?;
        let mut statement = sqlx::query(AssertSqlSafe(asking.text));
        for value in asking.values {
            statement = match value {
                Value::Int(number) => statement.bind(number),
                Value::Text(text) => statement.bind(text),
            };
        }
        let rows = statement.fetch_all(&mut *connection).await?;
        let read = |row: &sqlx::any::AnyRow| {
            Ok::<_, CommandError>(FindCursor { id: row.try_get("id")?, key: row.try_get("sort_key")? })
        };
        let mut places = rows.iter().map(read).collect::<Result<Vec<_>, _>>()?;
        let more = places.len() > limit;
        places.truncate(limit);
        let next = if more { places.last().copied() } else { None };
        let ids: Vec<i64> = places.iter().map(|place| place.id).collect();
        let items = item_view::read_many(&mut connection, &ids, self.shop().currency).await?;
        Ok(FoundItems { items, next })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_cursor_is_read_as_it_was_written() {
        let check = |text: &str, expected: Option<(i64, i64)>| {
            assert_eq!(text.parse::<FindCursor>().ok().map(|c| (c.key, c.id)), expected, "{text}");
        };
        check("4800.17", Some((4800, 17)));
        check(&FindCursor { key: 0, id: 9 }.to_string(), Some((0, 9)));
        check("4800", None);
        check("4800.", None);
        check("-1.17", None);
        check("1.2.3", None);
        check("", None);
    }

    #[test]
    fn each_code_is_read_back() {
        for state in FindState::ALL {
            assert_eq!(FindState::from_code(state.code()), Some(state));
        }
        for sort in FindSort::ALL {
            assert_eq!(FindSort::from_code(sort.code()), Some(sort));
        }
        assert_eq!((FindState::from_code(""), FindSort::from_code("Newest")), (None, None));
    }
}
