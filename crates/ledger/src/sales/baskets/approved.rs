//! Approvals of an open sale. One is taken where it is needed first, often while a discount is typed, and the sale is
//! checked again before it is paid, so the sale keeps it. It counts for as long as what was approved stays as it was.

use super::change::BasketChange;
use super::content::Content;
use crate::sales::{limits, ring_up};
use crate::shelf::lookup;
use crate::store::approval::Approved;
use crate::store::command::Tx;
use crate::store::error::CommandError;
use crate::store::idempotency_key::hex_hash;
use crate::store::storage_error::StorageError;
use domain::codes::Code;
use domain::limits::LimitName;
use domain::money::Money;
use serde::{Deserialize, Serialize};

/// What was approved for a sale, as its row keeps it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub(crate) struct ApprovedHere {
    limit: LimitName,
    asked: String,
    by: String,
    /// Of what a discount is taken from; empty for other limits, of which the amount says all.
    of: String,
}

impl Content {
    /// What an approval depends on. A discount on the whole sale depends on every line, one on a line on the lines
    /// with a discount.
    fn depends(&self, limit: LimitName) -> Result<String, CommandError> {
        if limit != LimitName::Discount {
            return Ok(String::new());
        }
        let lines: Vec<_> =
            self.lines.iter().filter(|line| self.off.is_some() || line.off.is_some()).collect();
        let text = serde_json::to_vec(&(lines, self.off)).map_err(StorageError::KeptAnswer)?;
        Ok(hex_hash(&text))
    }

    /// Who approved the discounts that it has, for the sale's note.
    pub(super) fn approved_words(&self) -> Option<String> {
        let now = self.depends(LimitName::Discount).ok()?;
        let found = self.approved.iter().find(|one| one.limit == LimitName::Discount && one.of == now)?;
        Some(format!("discount approved by {}", found.by))
    }
}

/// Lets the checks of this transaction pass for what was approved for the sale as it is now.
pub(super) fn recall(tx: &mut Tx, content: &Content) -> Result<(), CommandError> {
    for one in &content.approved {
        if one.of == content.depends(one.limit)? {
            let (asked, by) = (one.asked.clone(), one.by.clone());
            tx.note_approved(Approved { limit: one.limit, asked, by });
        }
    }
    Ok(())
}

/// The contents as they are written, with what was approved in this transaction.
pub(super) fn kept(tx: &Tx, content: &Content) -> Result<String, CommandError> {
    let mut content = content.clone();
    for Approved { limit, asked, by } in tx.approvals() {
        let of = content.depends(*limit)?;
        let here = ApprovedHere { limit: *limit, asked: asked.clone(), by: by.clone(), of };
        if !content.approved.contains(&here) {
            content.approved.push(here);
        }
    }
    // Those of discounts that are gone need no place.
    let mut kept = Vec::with_capacity(content.approved.len());
    for one in content.approved.clone() {
        if one.of == content.depends(one.limit)? {
            kept.push(one);
        }
    }
    content.approved = kept;
    content.written()
}

/// Refuses a discount above the limit where it is typed. What else is wrong with the sale is said before it is paid.
pub(super) async fn check_discounts(
    tx: &mut Tx,
    content: &Content,
    change: &BasketChange,
) -> Result<(), CommandError> {
    let is_discount = matches!(
        change,
        BasketChange::Line { off: Some(_), .. } | BasketChange::Discount { off: Some(_), .. }
    );
    if !is_discount {
        return Ok(());
    }
    let none = Money::zero(tx.shop().currency);
    let codes: Vec<Code> = content.goods().map(|(_, code, _)| code.clone()).collect();
    let found = lookup::find_all(tx, &codes).await?;
    let (lines, discount) = content.sale_lines(&found, none.currency())?;
    let counted = if content.is_granted { none } else { discount };
    let drafts = match ring_up::priced(&lines, &found, counted) {
        Ok(drafts) => drafts,
        Err(CommandError::Rejected(_)) => return Ok(()),
        Err(trouble) => return Err(trouble),
    };
    recall(tx, content)?;
    limits::allow_discounts(tx, &drafts, !counted.is_zero()).await
}
