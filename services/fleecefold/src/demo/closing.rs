//! The last evening: what a shop has open whenever somebody looks at it.

use super::basket::Priced;
use super::live::Live;
use super::regulars::Regular;
use super::season::{self, Door, Visit};
use super::shelf::Wanted;
use super::trouble::DemoError;
use domain::basket::TenderKind;
use domain::stock::ItemKind;
use jiff::civil::Date;
use ledger::sales::TenderIn;
use ledger::shelf::Purpose;

/// After the last online order, in minutes of the day.
const CLOSING_MINUTE: i64 = 1_330;
/// The months of the market.
const MARKET_MONTHS: [&str; 8] =
    ["May", "June", "July", "August", "September", "October", "November", "December"];
/// The value of the last gift certificates, and what of the first is spent, in cents. Invented.
const FOR_A_FRIEND: i64 = 7_500;
const FOR_ANYBODY: i64 = 4_000;
const SPENT: i64 = 3_000;

impl Live {
    /// Holds without an end date for customers and for the next market, a sale that is still to be paid, and gift
    /// certificates with something left on them.
    pub(super) async fn close_up(&mut self) -> Result<(), DemoError> {
        let at = season::moment(&self.zone, self.day, CLOSING_MINUTE)?;
        self.clock.set(at);
        let visit = Visit { rung_up: at, at, door: Door::Store };
        for count in [1, 2] {
            let whom = self.person();
            self.hold_some(count, Purpose::Customer, whom, "").await?;
        }
        let market = format!("the {} market", market_after(self.day));
        self.hold_some(6, Purpose::Market, None, &market).await?;
        if let Some(later) = self.regulars.who_pays_later().cloned() {
            self.sell_one(visit, Some(&later), None).await?;
        }
        let friend = self.person();
        self.sell_gift_certificate(FOR_A_FRIEND, friend.as_ref()).await?;
        self.spend_some(visit, friend.as_ref()).await?;
        self.sell_gift_certificate(FOR_ANYBODY, None).await
    }

    async fn hold_some(
        &mut self,
        count: usize,
        purpose: Purpose,
        whom: Option<Regular>,
        words: &str,
    ) -> Result<(), DemoError> {
        let mut pieces = Vec::new();
        for _ in 0..count {
            if let Some(good) = self.shelf.one_left(&mut self.dice, ItemKind::Piece, 1, &pieces) {
                pieces.push(Wanted { good, stock_units: 1 });
            }
        }
        self.hold(&pieces, purpose, (words.to_owned(), whom.map(|known| known.id)), None).await?;
        Ok(())
    }

    /// Sells a piece, paid by these tenders or as the customer pays.
    async fn sell_one(
        &mut self,
        visit: Visit,
        whom: Option<&Regular>,
        certificate: Option<usize>,
    ) -> Result<(), DemoError> {
        let Some(good) = self.shelf.one_left(&mut self.dice, ItemKind::Piece, 1, &[]) else { return Ok(()) };
        let priced = [Priced::of(self.shelf.good(good)?, 1, 0)?];
        let tenders = match certificate {
            Some(at) => self.part_by_certificate(at, priced[0].due())?,
            None => self.tenders(visit, priced[0].due(), whom)?,
        };
        self.shelf.change(good, -1);
        self.ring_up(visit, &priced, (whom, 0), tenders).await?;
        Ok(())
    }

    /// Buys a piece and pays a part of it with the certificate that was sold last.
    async fn spend_some(&mut self, visit: Visit, whom: Option<&Regular>) -> Result<(), DemoError> {
        match self.certificates.len().checked_sub(1) {
            Some(at) => self.sell_one(visit, whom, Some(at)).await,
            None => Ok(()),
        }
    }

    fn part_by_certificate(&mut self, at: usize, due: i64) -> Result<Vec<TenderIn>, DemoError> {
        let spent = SPENT.min(due);
        let certificate = self.certificates.get_mut(at);
        let number = certificate.map(|one| {
            one.left -= spent;
            one.number
        });
        let mut tenders = Vec::new();
        if let Some(number) = number {
            tenders.push(TenderIn::by_certificate(number, self.money(spent)?));
        }
        if due > spent {
            tenders.push(TenderIn::plain(TenderKind::Card, self.money(due - spent)?));
        }
        Ok(tenders)
    }
}

/// The month of the next market after a day; there is none before May.
fn market_after(day: Date) -> &'static str {
    let next = day.tomorrow().map_or(day.month(), Date::month);
    usize::try_from(next - 5).ok().and_then(|at| MARKET_MONTHS.get(at).copied()).unwrap_or(MARKET_MONTHS[0])
}

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::civil::date;

    #[test]
    fn the_next_market_is_in_may_or_later() {
        let check = |day: Date, expected: &str| assert_eq!(market_after(day), expected, "{day}");
        check(date(2025, 10, 31), "November");
        check(date(2025, 12, 30), "December");
        check(date(2025, 12, 31), "May");
        check(date(2024, 2, 29), "May");
        check(date(2024, 4, 30), "May");
        check(date(2024, 5, 30), "May");
    }
}
