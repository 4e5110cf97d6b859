//! What needs attention today. All of it is read whenever somebody opens the page, so each part uses an
//! index or reads a limited number of rows.

use crate::shelf::holds;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use domain::day::{Day, Moment};
use domain::ids::{self, HoldGroupId};
use domain::money::Money;
use domain::text;
use sqlx::Row;
use sqlx::any::AnyRow;

/// How many of the newest items are checked for pieces that were never listed: more than a farm makes
/// in years, and read in a few milliseconds. The Online pages show all of them.
pub const NEWEST_LOOKED_AT: i64 = 2000;

/// Order lines that are out of stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ShortLines {
    /// How many lines.
    pub lines: i64,
    /// How many orders they belong to.
    pub orders: i64,
}

/// A hold that is about to expire.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct EndingHold {
    /// All lines of the hold.
    pub id: HoldGroupId,
    /// The customer, or another purpose.
    pub for_whom: String,
    /// When it expires.
    pub until: Moment,
    /// How many lines it has.
    pub lines: i64,
}

/// The sum of open balances.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OwedSum {
    /// How many payments are still due.
    pub tenders: i64,
    /// How much of them is still due.
    pub left: Money,
    /// The first day on which one of them is due.
    pub first_due: Option<Day>,
}

/// What is on hold, except for sales in progress.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct HeldSum {
    /// How many holds.
    pub holds: i64,
    /// How many lines they have.
    pub lines: i64,
}

/// How far a new shop is.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
#[expect(clippy::struct_excessive_bools, reason = "each step is taken by itself, in any order")]
pub struct FirstSteps {
    /// It has a name of its own.
    pub name: bool,
    /// It has a style.
    pub style: bool,
    /// It has, or had, an item.
    pub item: bool,
    /// It sold something.
    pub sale: bool,
    /// It lists something online, or is connected to an online shop.
    pub online: bool,
}

/// A voided sale leaves nothing due.
const OWED: &str = "FROM open_balance o WHERE o.paid < o.amount AND o.due_day <= $1 \
    AND NOT EXISTS (SELECT 1 FROM sale_void v WHERE v.sale_id = o.sale_id)";

impl Ledger {
    /// Order lines that are out of stock and wait for a decision.
    pub async fn short_lines(&self) -> Result<ShortLines, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count, CAST(COUNT(DISTINCT order_id) AS BIGINT) AS orders FROM order_line \
             WHERE state = 'short'",
        )
        .fetch_one(&mut *connection)
        .await?;
        Ok(ShortLines { lines: row.try_get("count")?, orders: row.try_get("orders")? })
    }

    /// How many orders hold stock and have an unknown status.
    pub async fn orders_of_unknown_status(&self) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(DISTINCT l.order_id) AS BIGINT) AS orders FROM order_line l \
             JOIN customer_order o ON o.id = l.order_id WHERE l.state = 'held' AND o.status = 'Unknown'",
        )
        .fetch_one(&mut *connection)
        .await?;
        Ok(row.try_get("orders")?)
    }

    /// How many of the newest [`NEWEST_LOOKED_AT`] items could be listed and are not.
    pub async fn count_unlisted(&self) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM \
             (SELECT id, on_hand, held, do_not_list FROM item ORDER BY id DESC LIMIT $1) AS i \
             WHERE i.on_hand > i.held AND i.do_not_list = 0 \
             AND NOT EXISTS (SELECT 1 FROM online_offer o WHERE o.item_id = i.id)",
        )
        .bind(NEWEST_LOOKED_AT)
        .fetch_one(&mut *connection)
        .await?;
        Ok(row.try_get("count")?)
    }

    /// The names of styles that sold and of which nothing is left, sorted without case.
    pub async fn styles_that_ran_out(&self) -> Result<Vec<String>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT s.name FROM style s \
             WHERE NOT EXISTS (SELECT 1 FROM item i WHERE i.style_id = s.id AND i.on_hand > 0) \
             AND EXISTS (SELECT 1 FROM item i WHERE i.style_id = s.id AND i.sold > i.put_back)",
        )
        .fetch_all(&mut *connection)
        .await?;
        let mut names =
            rows.iter().map(|row| Ok(row.try_get("name")?)).collect::<Result<Vec<String>, CommandError>>()?;
        names.sort_by_cached_key(|name| text::fold(name));
        Ok(names)
    }

    /// Open holds that expire before `end`, the first to expire first, at most `limit`. Sales that are
    /// being paid hold items too, and are left out.
    pub async fn ending_holds(&self, end: Moment, limit: usize) -> Result<Vec<EndingHold>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT h.group_id, h.for_whom, p.name AS person, MIN(h.until_ms) AS until_ms, CAST(COUNT(*) AS BIGINT) AS count \
             FROM hold h LEFT JOIN person_data p ON p.id = h.customer_id \
             WHERE h.state = 'open' AND h.until_ms IS NOT NULL AND h.until_ms < $1 AND h.purpose <> 'basket' \
             GROUP BY h.group_id, h.for_whom, p.name ORDER BY MIN(h.until_ms), h.group_id LIMIT $2",
        )
        .bind(end.millis())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let hold = |row: &AnyRow| {
            Ok(EndingHold {
                id: HoldGroupId::from_raw(row.try_get("group_id")?),
                for_whom: holds::for_whom(row)?,
                until: Moment::from_millis(row.try_get("until_ms")?),
                lines: row.try_get("count")?,
            })
        };
        rows.iter().map(hold).collect()
    }

    /// The sum of open balances that are due by a day, or of all.
    pub async fn owed_sum(&self, until: Option<Day>) -> Result<OwedSum, CommandError> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        let text = format!(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count, MIN(o.due_day) AS first_due, \
             CAST(COALESCE(SUM(o.amount - o.paid), 0) AS BIGINT) AS left_to_pay {OWED}"
        );
        let row = sqlx::query(sqlx::AssertSqlSafe(text))
            .bind(until.map_or(i64::MAX, Day::number))
            .fetch_one(&mut *connection)
            .await?;
        let left = Money::from_minor(row.try_get("left_to_pay")?, currency).stored("open_balance.amount")?;
        let first_due: Option<i64> = row.try_get("first_due")?;
        Ok(OwedSum { tenders: row.try_get("count")?, left, first_due: first_due.map(Day::from_number) })
    }

    /// What is on hold for customers, markets and unpaid orders.
    pub async fn held_sum(&self) -> Result<HeldSum, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(DISTINCT group_id) AS BIGINT) AS holds, CAST(COUNT(*) AS BIGINT) AS count FROM hold \
             WHERE state = 'open' AND purpose <> 'basket'",
        )
        .fetch_one(&mut *connection)
        .await?;
        Ok(HeldSum { holds: row.try_get("holds")?, lines: row.try_get("count")? })
    }

    /// How many sales were begun, and not touched since `before`; counted up to `limit`.
    pub async fn sales_left_open(&self, before: Moment, limit: usize) -> Result<i64, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST(COUNT(*) AS BIGINT) AS count FROM \
             (SELECT 1 FROM basket WHERE state = 'open' AND changed_ms < $1 LIMIT $2) AS found",
        )
        .bind(before.millis())
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_one(&mut *connection)
        .await?;
        Ok(row.try_get("count")?)
    }

    /// How far a new shop is.
    pub async fn first_steps(&self) -> Result<FirstSteps, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query(
            "SELECT CAST((SELECT COUNT(*) FROM setting WHERE name = 'name') AS BIGINT) AS named, \
             CAST((SELECT COUNT(*) FROM (SELECT 1 FROM style LIMIT 1) AS a) AS BIGINT) AS style, \
             CAST((SELECT COUNT(*) FROM (SELECT 1 FROM item LIMIT 1) AS b) AS BIGINT) AS item, \
             CAST((SELECT COUNT(*) FROM (SELECT 1 FROM sale LIMIT 1) AS c) AS BIGINT) AS sale, \
             CAST((SELECT COUNT(*) FROM (SELECT 1 FROM online_offer LIMIT 1) AS d) AS BIGINT) \
             + CAST((SELECT COUNT(*) FROM connection WHERE id > 1 AND ended_ms IS NULL) AS BIGINT) AS online",
        )
        .fetch_one(&mut *connection)
        .await?;
        let is = |column: &str| Ok::<_, CommandError>(row.try_get::<i64, _>(column)? > 0);
        Ok(FirstSteps {
            name: is("named")?,
            style: is("style")?,
            item: is("item")?,
            sale: is("sale")?,
            online: is("online")?,
        })
    }

    /// Whether a sale was entered before a moment.
    pub async fn sold_before(&self, moment: Moment) -> Result<bool, CommandError> {
        let mut connection = self.reader().await?;
        let row = sqlx::query("SELECT id FROM sale WHERE id < $1 LIMIT 1")
            .bind(ids::bound_of(moment.millis()))
            .fetch_optional(&mut *connection)
            .await?;
        Ok(row.is_some())
    }
}
