//! Orders that were kept aside: tried again, such as one that came before its listing.

use super::intake::Read;
use super::round::Hand;
use feeds::{Layout, PageReading, orders_again};
use ledger::{ClaimKeptOrders, Failure, KeptAs, KeptOrder, SettleKeptOrder};

/// Kept orders that are tried in one round; the others have their turn in the next.
const TRIED_A_ROUND: usize = 50;

/// Tries those that are due.
pub(super) async fn try_again(hand: &Hand<'_>) -> Result<(), Failure> {
    let holder = hand.ledger.new_holder()?;
    let claim = ClaimKeptOrders { connection: hand.connection.id, holder, limit: TRIED_A_ROUND };
    for kept in hand.ledger.execute(None, &claim).await?.answer {
        let became = match again(hand, &kept).await? {
            None => KeptAs::Taken,
            Some(words) => KeptAs::Later { until: hand.from().again(kept.tries), words },
        };
        hand.ledger.execute(None, &SettleKeptOrder { id: kept.id, holder, became }).await?;
    }
    Ok(())
}

/// Why it cannot be taken yet; none if it was.
async fn again(hand: &Hand<'_>, kept: &KeptOrder) -> Result<Option<String>, Failure> {
    let mut orders = Vec::new();
    for read in read(hand, &kept.raw) {
        match read {
            Ok(parsed) => orders.push(parsed.value),
            Err(reject) => return Ok(Some(reject.cause().to_string())),
        }
    }
    if orders.is_empty() {
        return Ok(Some(kept.words.clone()));
    }
    match hand.from().book(orders).await {
        Ok(refusals) => Ok(refusals.into_iter().flatten().next().map(|refusal| refusal.to_string())),
        // Of one alone, the refusal of its transaction is its own.
        Err(Failure::Refused(refusal)) => Ok(Some(refusal.to_string())),
        Err(trouble) => Err(trouble),
    }
}

/// By the layout that it was read by, which is the list's or the hooks'; the one that can read it counts.
fn read(hand: &Hand<'_>, raw: &str) -> Vec<Read> {
    let file = &hand.reach.file;
    let layouts = file.orders.iter().map(|o| &o.layout).chain(file.hooks.iter().map(|h| &h.layout));
    let by = |layout: &Layout| {
        let page = PageReading { layout, currency: hand.shop.currency, zone: &hand.shop.zone };
        orders_again(raw, page).unwrap_or_default()
    };
    let mut last = Vec::new();
    for layout in layouts {
        last = by(layout);
        if !last.is_empty() && last.iter().all(Result::is_ok) {
            break;
        }
    }
    last
}
