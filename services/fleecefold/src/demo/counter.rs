//! Sales at the counter, at the market stall and to resellers.

use super::basket::{self, Priced};
use super::live::Live;
use super::people;
use super::promises::Promise;
use super::regulars::Regular;
use super::season::{Door, Visit};
use super::shelf::Wanted;
use super::trouble::{DemoError, Doing};
use domain::basket::{LineKind, TenderKind};
use domain::certificate::{CertificateNumber, RANDOM_BYTES};
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::{CustomerId, HoldGroupId};
use domain::money::Money;
use domain::quantity::Asked;
use domain::stock::{ItemKind, ReturnDisposition};
use ledger::sales::{NewCertificate, NewSale, SaleDone, SaleLineIn, TenderIn, VoidSale};
use ledger::shelf::{HoldLine, NewHold, Purpose};

/// Out of a hundred visits to the store. Invented, like all figures here.
const GIFT_CERTIFICATES: i64 = 2;
const SET_ASIDE: i64 = 4;
/// Out of a hundred things that cost less than a gift certificate is worth, how many are paid with one.
const FROM_CERTIFICATE: i64 = 12;
const RUNG_UP_BY_MISTAKE: i64 = 3;
/// Out of a hundred pieces.
const COME_BACK: i64 = 9;
/// The value of a gift certificate, and the discount for a friend of the farm, in cents.
const GIFT_CERTIFICATE: i64 = 5_000;
const FRIEND: i64 = 500;
const FRIENDS: i64 = 6;
/// People pay in notes of this many cents.
const NOTE: i64 = 500;
const DAY_MS: i64 = 24 * 60 * 60 * 1000;
/// How long resellers have to pay.
const DUE_AFTER_MS: i64 = 30 * DAY_MS;
const HELD_FOR_MS: i64 = 7 * DAY_MS;

/// A gift certificate, and what is left on it, in cents.
#[derive(Clone, Copy, Debug)]
pub(super) struct Certificate {
    pub(super) number: CertificateNumber,
    pub(super) left: i64,
}

impl Live {
    /// One visit to the counter or the stall, or one wholesale order.
    pub(super) async fn serve(&mut self, visit: Visit) -> Result<(), DemoError> {
        if visit.door == Door::Store && self.dice.chance(GIFT_CERTIFICATES) {
            return self.sell_gift_certificate(GIFT_CERTIFICATE, None).await;
        }
        if visit.door == Door::Store && self.dice.chance(SET_ASIDE) {
            return self.set_aside(visit).await;
        }
        let whom = self.visitor(visit.door);
        let off = basket::off(&mut self.dice, visit.door);
        let wanted = basket::choose(&mut self.dice, &self.shelf, visit.door);
        let priced = wanted
            .iter()
            .map(|w| Priced::of(self.shelf.good(w.good)?, w.stock_units, off))
            .map(|priced| priced.map(|one| if is_exempt(whom.as_ref()) { one.without_tax() } else { one }))
            .collect::<Result<Vec<_>, _>>()?;
        if priced.is_empty() {
            return Ok(());
        }
        for w in &wanted {
            self.shelf.change(w.good, -w.stock_units);
        }
        let off = self.taken_off(visit, &priced, whom.as_ref());
        let due: i64 = priced.iter().map(Priced::due).sum();
        let tenders = self.tenders(visit, due - off, whom.as_ref())?;
        let is_settled = tenders.iter().all(|tender| tender.kind != TenderKind::OnAccount);
        let done = self.ring_up(visit, &priced, (whom.as_ref(), off), tenders).await?;
        if !is_settled {
            return self.promise(self.day, 26, Promise::Settled { sale: done.id });
        }
        self.afterwards(visit, &wanted, &priced, &done).await
    }

    /// What is taken off the whole sale: by somebody's terms, or for a friend of the farm.
    fn taken_off(&mut self, visit: Visit, priced: &[Priced], whom: Option<&Regular>) -> i64 {
        let due: i64 = priced.iter().map(Priced::due).sum();
        if !priced.iter().all(|p| p.tax.is_zero()) {
            return 0;
        }
        if let Some(discount) = whom.and_then(|known| known.terms.discount) {
            return due * i64::from(discount) / 10_000;
        }
        let is_friend = due > 10 * FRIEND && visit.door == Door::Store && self.dice.chance(FRIENDS);
        if is_friend { FRIEND } else { 0 }
    }

    pub(super) async fn ring_up(
        &mut self,
        visit: Visit,
        priced: &[Priced],
        (whom, off): (Option<&Regular>, i64),
        tenders: Vec<TenderIn>,
    ) -> Result<SaleDone, DemoError> {
        let sale = NewSale {
            channel: visit.door.channel()?,
            lines: priced.iter().map(Priced::rung_up).collect(),
            discount: self.money(off)?,
            shipping: self.money(0)?,
            tenders,
            customer: whom.map(|known| known.id),
            is_granted: off > 0 && whom.is_some_and(|known| known.terms.discount.is_some()),
            hold: None,
            at: (visit.door == Door::Market).then_some(visit.at),
            note: String::new(),
            who: self.family(),
        };
        self.sell(&sale).await
    }

    async fn sell(&mut self, sale: &NewSale) -> Result<SaleDone, DemoError> {
        let done = self.ledger.execute(None, sale).await.doing("ring up a sale")?;
        self.sales += 1;
        Ok(done.answer)
    }

    /// What may follow a sale: a return, a correction, a payment later.
    async fn afterwards(
        &mut self,
        visit: Visit,
        wanted: &[Wanted],
        priced: &[Priced],
        done: &SaleDone,
    ) -> Result<(), DemoError> {
        let day = self.day;
        if visit.door == Door::Store && self.dice.chance(RUNG_UP_BY_MISTAKE) {
            let slip = VoidSale { sale: done.id, reason: "rung up twice".to_owned(), who: self.family() };
            self.ledger.execute(None, &slip).await.doing("void a sale")?;
            for w in wanted {
                self.shelf.change(w.good, w.stock_units);
            }
            return Ok(());
        }
        let first = priced.iter().position(|p| p.kind == ItemKind::Piece);
        let Some((piece, sold)) = first.and_then(|at| wanted.get(at).zip(done.lines.get(at))) else {
            return Ok(());
        };
        if visit.door == Door::Store {
            self.just_sold = Some(*piece);
        }
        if self.dice.chance(COME_BACK) {
            self.just_sold = None;
            let fate =
                if self.dice.chance(60) { ReturnDisposition::Shelf } else { ReturnDisposition::WrittenOff };
            let tender = if self.dice.chance(50) { TenderKind::Cash } else { TenderKind::Card };
            let back = Promise::Returned { sale: done.id, line: sold.id, piece: *piece, fate, tender };
            return self.promise(day, 6, back);
        }
        Ok(())
    }

    /// How an amount is paid.
    pub(super) fn tenders(
        &mut self,
        visit: Visit,
        due: i64,
        whom: Option<&Regular>,
    ) -> Result<Vec<TenderIn>, DemoError> {
        if visit.door == Door::Wholesale || whom.is_some_and(|known| known.pays_later) {
            let due_day = self.zone.day_of(visit.at.plus_millis(DUE_AFTER_MS));
            let amount = self.money(due)?;
            return Ok(vec![TenderIn {
                due: Some(due_day),
                ..TenderIn::plain(TenderKind::OnAccount, amount)
            }]);
        }
        if let Some(by_certificate) = self.by_certificate(due)? {
            return Ok(by_certificate);
        }
        let in_notes = |rest: i64| (rest + NOTE - 1) / NOTE * NOTE;
        let (cash, cheque) = if visit.door == Door::Market { (60, 0) } else { (32, 7) };
        Ok(match self.dice.between(1, 100) {
            roll if roll <= cash => vec![TenderIn::plain(TenderKind::Cash, self.money(in_notes(due))?)],
            roll if roll <= cash + cheque => vec![TenderIn::plain(TenderKind::Check, self.money(due)?)],
            roll if roll > 96 && due > 2 * NOTE => {
                let card = due / 2 / 100 * 100;
                vec![
                    TenderIn::plain(TenderKind::Card, self.money(card)?),
                    TenderIn::plain(TenderKind::Cash, self.money(in_notes(due - card))?),
                ]
            }
            _ => vec![TenderIn::plain(TenderKind::Card, self.money(due)?)],
        })
    }

    /// Pays with the certificate that was sold last: all that is left on it, or now and then a part.
    fn by_certificate(&mut self, due: i64) -> Result<Option<Vec<TenderIn>>, DemoError> {
        let Some(certificate) = self.certificates.last_mut() else { return Ok(None) };
        let (number, left) = (certificate.number, certificate.left);
        if due > left {
            self.certificates.pop();
            let note = TenderIn::by_certificate(number, self.money(left)?);
            return Ok(Some(vec![note, TenderIn::plain(TenderKind::Card, self.money(due - left)?)]));
        }
        if due < left && self.dice.chance(FROM_CERTIFICATE) {
            certificate.left -= due;
            return Ok(Some(vec![TenderIn::by_certificate(number, self.money(due)?)]));
        }
        Ok(None)
    }

    pub(super) async fn sell_gift_certificate(
        &mut self,
        value: i64,
        holder: Option<&Regular>,
    ) -> Result<(), DemoError> {
        let amount = self.money(value)?;
        let number = CertificateNumber::draw(|| {
            let [high, low] = [self.certificate_dice.next(), self.certificate_dice.next()];
            let mut bytes = [0; RANDOM_BYTES];
            bytes[..8].copy_from_slice(&high.to_be_bytes());
            bytes[8..].copy_from_slice(&low.to_be_bytes()[..2]);
            bytes
        });
        let line = SaleLineIn::Paper {
            kind: LineKind::GiftCertificate,
            title: "Gift certificate".to_owned(),
            amount,
            certificate: Some(NewCertificate {
                on_file: holder.map(|known| known.id),
                ..NewCertificate::for_anybody(number)
            }),
        };
        let sale = NewSale {
            channel: Channel::store(),
            lines: vec![line],
            discount: self.money(0)?,
            shipping: self.money(0)?,
            tenders: vec![TenderIn::plain(TenderKind::Card, amount)],
            customer: None,
            is_granted: false,
            hold: None,
            at: None,
            note: String::new(),
            who: self.family(),
        };
        self.sell(&sale).await?;
        self.certificates.push(Certificate { number, left: value });
        Ok(())
    }

    /// Holds a piece for a customer for a week: it is picked up, given up, or its time runs out.
    async fn set_aside(&mut self, visit: Visit) -> Result<(), DemoError> {
        let Some(good) = self.shelf.one_left(&mut self.dice, ItemKind::Piece, 1, &[]) else { return Ok(()) };
        let piece = Wanted { good, stock_units: 1 };
        let until = visit.at.plus_millis(HELD_FOR_MS);
        let for_whom = match self.dice.chance(50).then(|| self.person()).flatten() {
            Some(known) => (String::new(), Some(known.id)),
            None => (people::name(&mut self.dice), None),
        };
        let hold = self.hold(&[piece], Purpose::Customer, for_whom, Some(until)).await?;
        let day = self.day;
        match self.dice.between(1, 100) {
            1..=55 => self.promise(day, 3, Promise::Fetched { hold, piece }),
            56..=75 => self.promise(day, 4, Promise::LetGo { hold, piece }),
            _ => self.promise(day, 8, Promise::RanOut { piece }),
        }
    }

    pub(super) async fn hold(
        &mut self,
        pieces: &[Wanted],
        purpose: Purpose,
        (for_whom, customer): (String, Option<CustomerId>),
        until: Option<Moment>,
    ) -> Result<HoldGroupId, DemoError> {
        let mut lines = Vec::with_capacity(pieces.len());
        for piece in pieces {
            lines.push(HoldLine { code: self.shelf.good(piece.good)?.code.clone(), quantity: Asked::ONE });
            self.shelf.change(piece.good, -piece.stock_units);
        }
        let hold = NewHold { lines, purpose, for_whom, customer, until };
        Ok(self.ledger.execute(None, &hold).await.doing("set a piece aside")?.answer.id)
    }

    /// The held pieces are paid for.
    pub(super) async fn ring_up_held(&mut self, hold: HoldGroupId, priced: &Priced) -> Result<(), DemoError> {
        let sale = NewSale {
            channel: Channel::store(),
            lines: vec![priced.rung_up()],
            discount: self.money(0)?,
            shipping: self.money(0)?,
            tenders: vec![TenderIn::plain(TenderKind::Card, self.money(priced.due())?)],
            customer: None,
            is_granted: false,
            hold: Some(hold),
            at: None,
            note: "was set aside".to_owned(),
            who: self.family(),
        };
        self.sell(&sale).await.map(|_| ())
    }

    /// An amount in cents of the shop's currency.
    pub(super) fn money(&self, minor: i64) -> Result<Money, DemoError> {
        Money::from_minor(minor, self.currency).doing("count money")
    }
}

fn is_exempt(whom: Option<&Regular>) -> bool {
    whom.is_some_and(|known| known.terms.exemption.is_some())
}
