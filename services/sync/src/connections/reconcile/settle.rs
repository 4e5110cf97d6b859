//! What a comparison does about each difference: correct it, ask a person, or nothing because it is gone.

use super::{ListOf, Reconciled, ToldBefore};
use crate::connections::theirs::Theirs;
use crate::exchange::Ours;
use domain::ids::{ConnectionId, ItemId};
use domain::stock::ListingState;
use feeds::compare::{Difference, compare};
use feeds::{ListedRow, MessageOf};
use ledger::online::{
    Delivered, KeepDifferences, LIVE_AT_ONCE, LearnIds, ListingDifference, MAX_DIFFERENCES, MendListings,
    NoteCured, RECORDED_AT_ONCE, RecordRun,
};
use ledger::{CommandError, Ledger};
use std::collections::{HashMap, HashSet};

/// The hash of a listing that stays as it is until a person decides.
const AS_IT_STANDS: &str = "as it stands there";

/// Compares, corrects and asks.
pub(super) async fn settle(
    ledger: &Ledger,
    connection: ConnectionId,
    (of, orders_are_known): (MessageOf, bool),
    (before, list): (&ToldBefore, ListOf),
    theirs: Theirs,
) -> Result<Reconciled, CommandError> {
    let mut ours = Ours::read(ledger, connection).await?;
    let Theirs { rows: mut theirs, mut ids, .. } = theirs;
    let mut named: HashMap<ItemId, String> = HashMap::with_capacity(ids.len());
    for row in &mut theirs {
        let id = ids.remove(&row.sku.key());
        ours.find(ledger, connection, &mut row.sku).await?;
        if let (Some(id), Some(stand)) = (id, ours.stands.get(&row.sku.key())) {
            named.insert(stand.item, id);
        }
    }
    let mut done = Reconciled { listed: theirs.len(), ..Reconciled::default() };
    let offered: Vec<String> = theirs.iter().filter(|r| r.is_offered()).map(|r| r.sku.key()).collect();
    let (later, went_back) = told_apart(before, list, &ours, &theirs);
    // After our backup was restored, they know revisions that are yet to come here.
    let above = theirs.iter().filter_map(|row| {
        let stand = ours.stands.get(&row.sku.key())?;
        row.revision.filter(|theirs| *theirs > stand.revision)
    });
    let above = above.max().unwrap_or(0);
    let differences = compare(ours.listings.clone(), theirs);
    let (mut mend, mut asked) = (HashSet::new(), Vec::new());
    let in_vain = ledger.mended_in_vain(connection).await?;
    for difference in &differences {
        let rules = Rules { of, orders_are_known, later: &later, went_back: &went_back, in_vain: &in_vain };
        sort(difference, &ours, rules, &mut mend, &mut asked);
    }
    done.adopted = adopt(ledger, connection, &ours, &offered, &mend).await?;
    name(ledger, connection, named).await?;
    // What is right by now was not corrected in vain.
    let differs: HashSet<ItemId> = differences.iter().filter_map(|d| item_of(d, &ours)).collect();
    let cured: Vec<ItemId> = in_vain.keys().copied().filter(|item| !differs.contains(item)).collect();
    for part in cured.chunks(LIVE_AT_ONCE) {
        ledger.execute(None, &NoteCured { connection, items: part.to_vec() }).await?;
    }
    done.mended = mend.len();
    // What was not sent yet was not sent in vain.
    let is_told = |item: &ItemId| ours.stands.values().any(|s| s.item == *item && s.told >= s.revision);
    let (told, untold): (Vec<ItemId>, Vec<ItemId>) = mend.into_iter().partition(is_told);
    for (mut items, counts) in [(told, true), (untold, false)] {
        items.sort_unstable();
        for part in items.chunks(LIVE_AT_ONCE) {
            ledger.execute(None, &MendListings { connection, items: part.to_vec(), above, counts }).await?;
        }
    }
    asked.truncate(MAX_DIFFERENCES);
    done.asked = asked.len();
    ledger.execute(None, &KeepDifferences { connection, differences: asked }).await?;
    Ok(done)
}

/// What they received since their list was made and, for a list fetched just now, of what they know less than
/// they received. With an older list the latter is no difference. A shop that knows less was restored from a
/// backup, and everything is sent again.
fn told_apart(
    before: &ToldBefore,
    list: ListOf,
    ours: &Ours,
    theirs: &[ListedRow],
) -> (HashSet<String>, HashSet<String>) {
    let earlier = |row: &&ListedRow| {
        let stand = ours.stands.get(&row.sku.key());
        stand.is_some_and(|s| row.revision.is_some_and(|r| r < s.told))
    };
    let earlier: HashSet<String> = theirs.iter().filter(earlier).map(|row| row.sku.key()).collect();
    let meanwhile = ours.stands.iter().filter(|(_, s)| before.get(&s.item).is_some_and(|t| *t != s.told));
    let meanwhile = meanwhile.map(|(key, _)| key.clone());
    match list {
        ListOf::File => (earlier.into_iter().chain(meanwhile).collect(), HashSet::new()),
        ListOf::Now => (meanwhile.collect(), earlier),
    }
}

/// What decides whether a difference is corrected.
#[derive(Clone, Copy)]
struct Rules<'a> {
    of: MessageOf,
    /// Whether every purchase there is known here.
    orders_are_known: bool,
    later: &'a HashSet<String>,
    /// Items of which they know less than they received.
    went_back: &'a HashSet<String>,
    /// How often in a row each was corrected and was wrong again the next time.
    in_vain: &'a HashMap<ItemId, u32>,
}

/// A listing that was corrected this often without effect goes to a person: another program says otherwise
/// there, or our messages have no effect.
const MENDED_IN_VAIN: u32 = 2;
/// Added to our value in that case.
const TOLD_TWICE: &str = ", told twice";

fn item_of(difference: &Difference, ours: &Ours) -> Option<ItemId> {
    ours.stands.get(&difference.sku().key()).map(|stand| stand.item)
}

/// Stores the ids that they gave, which messages use from now on.
async fn name(
    ledger: &Ledger,
    connection: ConnectionId,
    named: HashMap<ItemId, String>,
) -> Result<(), CommandError> {
    let mut ids: Vec<(ItemId, String)> = named.into_iter().collect();
    ids.sort_unstable();
    for part in ids.chunks(LIVE_AT_ONCE) {
        ledger.execute(None, &LearnIds { connection, ids: part.to_vec() }).await?;
    }
    Ok(())
}

fn ours_word(difference: &Difference) -> String {
    match difference {
        Difference::Gone { here, .. } => here.code().to_owned(),
        Difference::Stock { here, .. } => here.to_string(),
        _ => "InStock".to_owned(),
    }
}

/// Whether a difference is corrected, shown to a person, or gone by now.
fn sort(
    difference: &Difference,
    ours: &Ours,
    rules: Rules<'_>,
    mend: &mut HashSet<ItemId>,
    asked: &mut Vec<ListingDifference>,
) {
    let key = difference.sku().key();
    let stand = ours.stands.get(&key);
    let item = stand.map(|s| s.item);
    let is_under_way =
        stand.is_some_and(|s| s.state.is_some() && s.told < s.revision) || rules.later.contains(&key);
    // “Gone” or “not listed” says it already if the stock differs for that reason.
    let is_asked =
        asked.iter().any(|difference| difference.item == item && difference.ours.ends_with(TOLD_TWICE));
    let mut ask = |field: &str, ours: String, theirs: String| {
        let sku = difference.sku().to_string();
        asked.push(ListingDifference { sku, item, field: field.to_owned(), ours, theirs });
    };
    let is_in_vain = item.and_then(|item| rules.in_vain.get(&item)).is_some_and(|n| *n >= MENDED_IN_VAIN);
    let twice = || format!("{}{TOLD_TWICE}", ours_word(difference));
    match difference {
        Difference::Gone { .. } | Difference::Stock { .. } | Difference::Unlisted { .. }
            if rules.later.contains(&key) => {}
        Difference::Gone { .. } if is_in_vain => ask("offers.availability", twice(), "InStock".to_owned()),
        Difference::Stock { .. } if is_in_vain && is_asked => {}
        Difference::Stock { there, .. } if is_in_vain => ask("inventoryLevel", twice(), there.to_string()),
        Difference::Unlisted { .. } if is_in_vain && rules.orders_are_known => {
            ask("offers.availability", twice(), String::new());
        }
        Difference::Gone { .. } => mend.extend(item),
        Difference::Stock { .. } | Difference::Price { .. } | Difference::Text { .. }
            if rules.orders_are_known && rules.went_back.contains(&key) && !rules.later.contains(&key) =>
        {
            mend.extend(item);
        }
        Difference::Stock { here, there, .. } if there > here || rules.orders_are_known => mend.extend(item),
        Difference::Stock { here, there, .. } => ask("inventoryLevel", here.to_string(), there.to_string()),
        // What was never sent is listed by a person, or by the connection itself.
        Difference::Unlisted { .. } if stand.is_none_or(|s| s.state.is_none()) => {}
        Difference::Unlisted { .. } if rules.orders_are_known => mend.extend(item),
        Difference::Unlisted { .. } => ask("offers.availability", "InStock".to_owned(), String::new()),
        Difference::Price { .. } | Difference::Text { .. }
            if is_under_way || rules.of == MessageOf::Stock => {}
        Difference::Price { here, there, .. } => ask("offers.price", here.to_string(), there.to_string()),
        Difference::Text { field, here, there, .. } => ask(field, here.clone(), there.clone()),
        Difference::Unknown { name, .. } => ask("sku", String::new(), name.clone()),
        Difference::Twice { .. } => ask("sku", "once".to_owned(), "listed twice".to_owned()),
    }
}

/// An item that is offered there without our doing is ours to end once it is gone. So it counts as sent from
/// now on: as it is there or, if its stock is wrong, as not sent yet.
async fn adopt(
    ledger: &Ledger,
    connection: ConnectionId,
    ours: &Ours,
    offered: &[String],
    mend: &HashSet<ItemId>,
) -> Result<usize, CommandError> {
    let mut told = Vec::new();
    let mut met = HashSet::new();
    for key in offered {
        let Some(stand) = ours.stands.get(key).filter(|s| s.state.is_none()) else { continue };
        if !met.insert(stand.item) {
            continue;
        }
        let revision = if mend.contains(&stand.item) { 0 } else { stand.revision };
        let content = Some((AS_IT_STANDS.to_owned(), ListingState::Listed));
        told.push(Delivered { item: stand.item, revision, content });
    }
    for part in told.chunks(RECORDED_AT_ONCE) {
        ledger.execute(None, &RecordRun { connection, told: part.to_vec(), run: None }).await?;
    }
    Ok(told.len())
}
