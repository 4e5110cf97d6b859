//! The model's shelf: taking, holding, counting.

use super::command::What;
use super::model::{Group, HoldRow, HoldState, Model, Said, refuse};
use super::orders::SKIPPED;
use crate::harness::HOUR_MS;
use domain::stock::ItemKind;
use ledger::shelf::{BASKET_MS, Purpose};

impl Model {
    /// Takes steps of an item, some of them from a hold; expired holds give way.
    pub(super) fn take(&mut self, item: usize, stock_units: i64, from_hold: i64) -> Result<(), String> {
        if !self.can_take(item, stock_units, from_hold) {
            self.expire(Some(item));
        }
        if !self.can_take(item, stock_units, from_hold) {
            return Err(self.why_not(item, stock_units));
        }
        self.items[item].on_hand -= stock_units;
        self.items[item].held -= from_hold;
        Ok(())
    }

    fn can_take(&self, item: usize, stock_units: i64, from_hold: i64) -> bool {
        let item = &self.items[item];
        item.held >= from_hold && item.on_hand - item.held >= stock_units - from_hold
    }

    fn why_not(&self, item: usize, stock_units: i64) -> String {
        let item = &self.items[item];
        if item.on_hand >= stock_units {
            return "on-hold".to_owned();
        }
        match item.left_by {
            _ if item.on_hand > 0 || item.kind != ItemKind::Piece => "not-enough".to_owned(),
            Some(receipt) => format!("already-sold {receipt}"),
            None => "gone".to_owned(),
        }
    }

    /// Ends the expired holds of one item or of all. Returns how many rows.
    pub(super) fn expire(&mut self, of: Option<usize>) -> usize {
        let now = self.now;
        let mut ended = 0;
        for group in &mut self.groups {
            if group.until.is_none_or(|until| until > now) {
                continue;
            }
            for row in &mut group.rows {
                if row.state == HoldState::Open && of.is_none_or(|item| item == row.item) {
                    row.state = HoldState::Expired;
                    self.items[row.item].held -= row.stock_units;
                    ended += 1;
                }
            }
        }
        ended
    }

    pub(super) fn sweep(&mut self) -> String {
        format!("ended {}", self.expire(None))
    }

    pub(super) fn hold(&mut self, lines: &[(usize, i64)], purpose: Purpose) -> Said {
        if lines.iter().any(|(item, _)| *item >= self.items.len()) {
            return refuse("unknown-code");
        }
        let mut sorted = lines.to_vec();
        sorted.sort_unstable();
        for (item, stock_units) in sorted {
            let free = |m: &Self| m.items[item].on_hand - m.items[item].held >= stock_units;
            if !free(self) {
                self.expire(Some(item));
            }
            if !free(self) {
                return Err(self.why_not(item, stock_units));
            }
            self.items[item].held += stock_units;
        }
        let until = match purpose {
            Purpose::Basket => Some(self.now + BASKET_MS),
            Purpose::Market => Some(self.now + HOUR_MS),
            Purpose::Customer | Purpose::Order => None,
        };
        let row = |(item, stock_units): &(usize, i64)| HoldRow {
            item: *item,
            stock_units: *stock_units,
            state: HoldState::Open,
        };
        self.groups.push(Group { rows: lines.iter().map(row).collect(), until });
        Ok(String::new())
    }

    pub(super) fn end_hold(&mut self, group: usize) -> Said {
        let Some(group) = self.groups.get_mut(group) else { return refuse("no-such") };
        let mut ended = 0;
        for row in group.rows.iter_mut().filter(|r| r.state == HoldState::Open) {
            row.state = HoldState::Ended;
            self.items[row.item].held -= row.stock_units;
            ended += 1;
        }
        if ended == 0 { refuse("hold-over") } else { Ok(format!("ended {ended}")) }
    }

    /// What a sale takes from a hold of exactly its lines, by item.
    pub(super) fn take_hold(&mut self, group: usize, lines: &[(usize, i64)]) -> Result<Vec<i64>, String> {
        let Some(group) = self.groups.get_mut(group) else { return refuse("no-such") };
        let mut rows: Vec<(usize, i64, HoldState)> = Vec::new();
        for row in &mut group.rows {
            if matches!(row.state, HoldState::Open | HoldState::Expired) {
                rows.push((row.item, row.stock_units, row.state));
                row.state = HoldState::Taken;
            }
        }
        if rows.is_empty() {
            return refuse("hold-over");
        }
        let mut held: Vec<(usize, i64)> = rows.iter().map(|r| (r.0, r.1)).collect();
        let mut wanted = lines.to_vec();
        held.sort_unstable();
        wanted.sort_unstable();
        if held != wanted {
            return refuse("invalid");
        }
        let open = |item| rows.iter().filter(|r| r.0 == item && r.2 == HoldState::Open).map(|r| r.1).sum();
        Ok(lines.iter().map(|(item, _)| open(*item)).collect())
    }

    /// A piece of which an order ever spoke is left to other tests.
    pub(super) fn remove(&mut self, at: usize) -> Said {
        let Some(item) = self.items.get(at).cloned() else { return refuse("unknown-code") };
        if item.was_ordered {
            return Ok(SKIPPED.to_owned());
        }
        if item.kind != ItemKind::Piece {
            return refuse("invalid");
        }
        if item.held > 0 {
            self.expire(Some(at));
        }
        if self.can_take(at, 1, 0) && item.was_sold {
            return refuse("invalid");
        }
        self.take(at, 1, 0)?;
        self.items[at].left_by = None;
        Ok(String::new())
    }

    pub(super) fn adjust(&mut self, at: usize, what: &What) -> Said {
        let Some(item) = self.items.get(at).cloned() else { return refuse("unknown-code") };
        let change = match what {
            What::Is(stock_units) => stock_units - item.on_hand,
            What::More(stock_units) => *stock_units,
            What::Less(stock_units, _) => -stock_units,
        };
        if change < 0 {
            self.take(at, -change, 0)?;
            self.items[at].left_by = None;
        } else if change > 0 {
            let is_piece = item.kind == ItemKind::Piece;
            if is_piece && item.on_hand == 0 && item.out > 0 {
                return Err(self.why_not(at, 1));
            }
            if is_piece && item.on_hand + change > 1 {
                return refuse("invalid");
            }
            self.items[at].on_hand += change;
        }
        Ok(format!("on hand {}", self.items[at].on_hand))
    }
}
