//! An invented farm shop, the same on every machine: styles and items from the files in `demo/`, a year of
//! history from before the shop used this program, and half a year that is played through the ledger's own
//! commands with a fixed seed.
//!
//! It ends the day before the one that it is made for, which is today unless somebody names another. Everything else
//! follows from that day: the weekdays, the seasons, what is sold.

mod basket;
mod calendar;
mod closing;
mod counter;
mod live;
mod online;
mod past;
mod people;
mod photographs;
mod promises;
mod regulars;
mod rng;
mod season;
mod shelf;
#[cfg(test)]
mod tests;
mod trouble;
mod village;

pub(crate) use people::OWNER;
pub(crate) use trouble::DemoError;
pub(crate) use village::open as open_village;

use calendar::Calendar;
use domain::day::{Day, Zone};
use domain::people::Role;
use ledger::keeping::SetShop;
use ledger::people::AddPerson;
use ledger::shelf::{AddItems, AddStyles, KeepPictures, MAX_PICTURES_AT_ONCE, NewItem};
use ledger::{Access, Ledger, ManualClock};
use live::Live;
use regulars::Regulars;
use shelf::Shelf;
use std::sync::Arc;
use trouble::Doing;

/// The farm's name. It is set last, so a shop with this name is a finished demo.
pub(crate) const NAME: &str = "Pennywether Farm";
/// The owner's password, made up here. Only a demo has one that everybody knows, and `serve --site` refuses it.
pub(crate) const PASSWORD: &str = "four sheep and a gate";
/// Any number would do.
const SEED: u64 = 20_240_501;
/// When the shop is set up, in minutes of the opening day.
const SET_UP_MINUTE: i64 = 300;
/// How many items are in stock on the opening day.
const AT_OPENING: usize = 180;
/// New York's time, and cash rounded to 5 cents.
const SETTINGS: [(&str, &str); 4] = [
    ("zone", "America/New_York"),
    ("cash_rounding", "5 up"),
    ("channel.store", "Store in the old dairy"),
    ("channel.market", "Saturday market"),
];

/// What people should know before they use the program for a real shop.
pub(crate) const CAUTIONS: &str = "\
Everything here is invented, the tax rate too. Selling by weight may need an approved, sealed scale; sales tax,
fiber-content and care labels and children's products have rules that differ by place: what the program computes
is a help, not legal or tax advice. Card numbers are never taken or stored.";

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) struct DemoSummary {
    pub(crate) styles: usize,
    /// All items, sold out or not.
    pub(crate) items: usize,
    pub(crate) past_orders: usize,
    /// Sales at the counter, at the stall and to resellers.
    pub(crate) sales: usize,
    /// Online orders since the opening.
    pub(crate) orders: usize,
    /// Since the opening.
    pub(crate) refunds: usize,
}

/// Where the shop is, which decides when a day ends there.
pub(crate) fn zone() -> Result<Zone, DemoError> {
    Zone::from_name(SETTINGS[0].1).doing("set its clock")
}

pub(crate) fn is_made(ledger: &Ledger) -> bool {
    ledger.shop().name == NAME
}

/// Whether pieces get photographs, which takes longer than all the rest.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Photographs {
    Drawn,
    /// For tests of everything else.
    #[cfg(test)]
    None,
}

/// Makes the demo shop at `url`, which must be empty or missing, and closes it again: it is made on a clock
/// of its own and opened again on the machine's. Its last day is the one before `as_of`.
pub(crate) async fn make(url: &str, as_of: Day, photographs: Photographs) -> Result<DemoSummary, DemoError> {
    let calendar = Calendar::before(as_of)?;
    let clock = Arc::new(ManualClock::at(season::moment(&zone()?, calendar.opening, SET_UP_MINUTE)?));
    let ledger = Ledger::open(url, Access::Create, Arc::<ManualClock>::clone(&clock))
        .await
        .map_err(DemoError::Open)?;
    let made = match refuse_used(&ledger, url).await {
        Ok(()) => fill(&ledger, &clock, calendar, photographs).await,
        Err(refused) => Err(refused),
    };
    ledger.close().await;
    made
}

/// A shop that somebody named or set up belongs to them, even with nothing in stock yet.
async fn refuse_used(ledger: &Ledger, url: &str) -> Result<(), DemoError> {
    let items = ledger.items(None, "", 1).await.doing("look at the shelf")?;
    let sales = ledger.sales(None, 1).await.doing("look at the books")?;
    if !items.is_empty() || !sales.is_empty() || !ledger.shop().is_untouched() {
        return Err(DemoError::NotEmpty { url: url.to_owned() });
    }
    Ok(())
}

async fn fill(
    ledger: &Ledger,
    clock: &Arc<ManualClock>,
    calendar: Calendar,
    photographs: Photographs,
) -> Result<DemoSummary, DemoError> {
    for (key, value) in SETTINGS {
        set(ledger, key, value).await?;
    }
    let (shelf, styles, to_finish) = stock(ledger, photographs).await?;
    let opening = shelf.len();
    let finished_later = to_finish.len();
    let past_orders = past::feed_in(ledger, &shelf, calendar).await?;
    let regulars = Regulars::add(ledger, calendar.opening).await?;
    let mut live = Live::new(ledger, clock, calendar, regulars, shelf, to_finish);
    live.play().await?;
    add_owner(ledger).await?;
    set(ledger, "name", NAME).await?;
    Ok(DemoSummary {
        styles,
        items: opening + finished_later,
        past_orders,
        sales: live.sales,
        orders: live.orders,
        refunds: live.refunds,
    })
}

/// Draws the photographs of the pieces, if the shop has a folder for them.
async fn photograph(ledger: &Ledger, items: &mut [NewItem]) -> Result<(), DemoError> {
    let Some(folder) = ledger.pictures_folder() else { return Ok(()) };
    let pictures = photographs::take(items, &folder)?;
    for some in pictures.chunks(MAX_PICTURES_AT_ONCE) {
        let keep = KeepPictures { pictures: some.to_vec(), who: OWNER.to_owned() };
        ledger.execute(None, &keep).await.doing("keep its photographs")?;
    }
    Ok(())
}

async fn add_owner(ledger: &Ledger) -> Result<(), DemoError> {
    let step = "hash its owner's password";
    let no_hash = || DemoError::Step { step, source: "the password could not be hashed".into() };
    let password = till::hash_secret(PASSWORD).ok_or_else(no_hash)?;
    let (name, who) = (OWNER.to_owned(), OWNER.to_owned());
    let owner = AddPerson { name, role: Role::Owner, password, pin: None, who };
    ledger.execute(None, &owner).await.doing("add its owner")?;
    Ok(())
}

async fn set(ledger: &Ledger, key: &str, value: &str) -> Result<(), DemoError> {
    let setting = SetShop { key: key.to_owned(), value: value.to_owned(), who: OWNER.to_owned() };
    ledger.execute(None, &setting).await.doing("set the shop up")?;
    ledger.refresh_shop().await.doing("set the shop up")?;
    Ok(())
}

/// Adds the styles and the opening stock; returns the items that are finished later.
async fn stock(ledger: &Ledger, photographs: Photographs) -> Result<(Shelf, usize, Vec<NewItem>), DemoError> {
    let shop = ledger.shop();
    let styles = shelf::styles(shop.currency, &shop.zone)?;
    let count = styles.len();
    let mut items = shelf::items(shop.currency, &shop.zone)?;
    if photographs == Photographs::Drawn {
        photograph(ledger, &mut items).await?;
    }
    let to_finish = items.split_off(AT_OPENING.min(items.len()));
    let styles = AddStyles { styles, who: OWNER.to_owned() };
    ledger.execute(None, &styles).await.doing("add its styles")?;
    let add = AddItems { items, who: "Maud".to_owned(), progress: None };
    let added = ledger.execute(None, &add).await.doing("add its items")?;
    let mut shelf = Shelf::default();
    shelf.put(&add.items, &added.answer)?;
    Ok((shelf, count, to_finish))
}
