//! The demo's files, and its own count of what is in stock.

use super::rng::Rng;
use super::trouble::{DemoError, Doing};
use domain::codes::Code;
use domain::day::Zone;
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::stock::ItemKind;
use feeds::{Feed, FeedError, Format, Layout, Parsed, Reading, Reject};
use ledger::shelf::{NewItem, NewStyle, RowOutcome};

const STYLES_FILE: &str = "styles.csv";
const STYLES: &str = include_str!("../../../../demo/styles.csv");
const ITEMS_FILE: &str = "items.csv";
const ITEMS: &str = include_str!("../../../../demo/items.csv");

/// Read in the same way as by `fleecefold add styles`.
pub(super) fn styles(currency: Currency, zone: &Zone) -> Result<Vec<NewStyle>, DemoError> {
    let layout = Layout::built_in(Feed::Styles, Format::Csv);
    let reading = Reading { layout: &layout, currency, zone, file_hash: "" };
    rows(STYLES_FILE, feeds::read_styles(STYLES.as_bytes(), reading))
}

/// In the order in which they were finished; read in the same way as by `fleecefold add items`.
pub(super) fn items(currency: Currency, zone: &Zone) -> Result<Vec<NewItem>, DemoError> {
    let layout = Layout::built_in(Feed::Items, Format::Csv);
    let reading = Reading { layout: &layout, currency, zone, file_hash: "" };
    rows(ITEMS_FILE, feeds::read_items(ITEMS.as_bytes(), reading))
}

fn rows<T>(
    file: &'static str,
    records: Result<impl Iterator<Item = Result<Parsed<T>, Reject>>, FeedError>,
) -> Result<Vec<T>, DemoError> {
    let records = records.map_err(|source| DemoError::File { file, source })?;
    let value = |read: Result<Parsed<T>, Reject>| match read {
        Ok(parsed) => Ok(parsed.value),
        Err(reject) => Err(DemoError::Row { file, why: reject.to_string() }),
    };
    records.map(value).collect()
}

#[derive(Clone, Debug)]
pub(super) struct Good {
    pub(super) code: Code,
    pub(super) name: String,
    pub(super) kind: ItemKind,
    pub(super) measure: Measure,
    pub(super) price: Money,
    /// Free steps. The ledger should have the same number, and decides.
    pub(super) left: i64,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) struct Wanted {
    pub(super) good: usize,
    pub(super) stock_units: i64,
}

#[derive(Debug, Default)]
pub(super) struct Shelf {
    goods: Vec<Good>,
}

impl Shelf {
    pub(super) fn put(&mut self, items: &[NewItem], outcomes: &[RowOutcome]) -> Result<(), DemoError> {
        for (item, outcome) in items.iter().zip(outcomes) {
            let RowOutcome::Added(added) = outcome else {
                let why = format!("{}: {outcome:?}", item.text.name);
                return Err(DemoError::Row { file: ITEMS_FILE, why });
            };
            let measure = item.stock.kind.measure(item.stock.stock_unit).unwrap_or(Measure::Units);
            let quantity = match item.stock.quantity {
                Some(asked) => Quantity::resolve_or_zero(asked, measure).doing("read a quantity")?,
                None => Quantity::from_stock_units(1, measure).doing("read a quantity")?,
            };
            self.goods.push(Good {
                code: Code::parse(&added.sku).doing("read a sku")?,
                name: item.text.name.clone(),
                kind: item.stock.kind,
                measure,
                price: added.price.price(),
                left: quantity.stock_units(),
            });
        }
        Ok(())
    }

    pub(super) fn good(&self, at: usize) -> Result<&Good, DemoError> {
        self.goods.get(at).ok_or_else(|| DemoError::Row { file: ITEMS_FILE, why: format!("no row {at}") })
    }

    pub(super) fn len(&self) -> usize {
        self.goods.len()
    }

    pub(super) fn change(&mut self, at: usize, stock_units: i64) {
        if let Some(good) = self.goods.get_mut(at) {
            good.left += stock_units;
        }
    }

    /// Items of a kind with at least this many steps left, except those in `but`.
    pub(super) fn with_left(&self, kind: ItemKind, stock_units: i64, but: &[Wanted]) -> Vec<usize> {
        let fits = |(at, good): &(usize, &Good)| {
            good.kind == kind && good.left >= stock_units && but.iter().all(|w| w.good != *at)
        };
        self.goods.iter().enumerate().filter(fits).map(|(at, _)| at).collect()
    }

    /// Picks two of a kind and takes the one that has been in stock longer.
    pub(super) fn one_left(
        &self,
        dice: &mut Rng,
        kind: ItemKind,
        stock_units: i64,
        but: &[Wanted],
    ) -> Option<usize> {
        let left = self.with_left(kind, stock_units, but);
        let (one, other) = (dice.pick(&left).copied(), dice.pick(&left).copied());
        one.min(other)
    }
}
