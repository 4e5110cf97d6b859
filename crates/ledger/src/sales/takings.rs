//! Money by tender: what a drawer, a day or a month took and gave back in cash, by card and so on. Nothing is kept for it:
//! the sums come from the tenders themselves, by the indexes of time.

use crate::store::Ledger;
use crate::store::error::{CommandError, Naming, Stored};
use domain::basket::TenderKind;
use domain::channel::Channel;
use domain::day::{Day, Month};
use domain::ids::{TurnId, bound_of};
use domain::money::{Currency, Money};
use sqlx::{AnyConnection, AssertSqlSafe, Row};
use std::collections::BTreeMap;

/// Which money.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TakingsOf {
    /// What went through a drawer, and what was paid at its channel in other ways while it was open.
    Turn(TurnId),
    /// A day in the shop's time zone, on all channels.
    Day(Day),
    /// All of a month's days.
    Month(Month),
}

/// The money of one kind of tender. What pays for an exchange is no money, and not among them.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Takings {
    /// Which kind.
    pub kind: TenderKind,
    /// From sales, less change; with those that were voided since.
    pub taken: Money,
    /// For open balances, when they were paid.
    pub balances: Money,
    /// With refunds.
    pub given_back: Money,
    /// Taken for sales that were voided.
    pub voided: Money,
    /// Taken and paid for balances, less what was given back and voided.
    pub net: Money,
}

/// Sums in minor units, by kind of tender.
type Sums = BTreeMap<&'static str, i64>;

/// Which rows count: conditions on sale `s`, refund `r`, payment `p` with its sale `s`, and void `v` with its sale
/// `s`. Their parameters are the same for all of them. `CROSS JOIN` is read from left to right by SQLite, which
/// otherwise begins at the wrong table.
struct Scope {
    sales: &'static str,
    refunds: &'static str,
    payments: &'static str,
    /// Beginning at the table that the condition bounds.
    voids_from: &'static str,
    voids: &'static str,
    from: i64,
    to: i64,
    channel: String,
}

impl Scope {
    fn of_time(from: i64, to: i64) -> Self {
        Self {
            sales: "s.at_ms >= $1 AND s.at_ms < $2 AND $3 = ''",
            refunds: "r.at_ms >= $1 AND r.at_ms < $2 AND $3 = ''",
            payments: "p.at_ms >= $1 AND p.at_ms < $2 AND $3 = ''",
            // A sale is voided on its own day, and never counts on another.
            voids_from: "sale s CROSS JOIN sale_void v",
            voids: "v.sale_id = s.id AND s.at_ms >= $1 AND s.at_ms < $2 AND $3 = ''",
            from,
            to,
            channel: String::new(),
        }
    }

    /// By when they were written and not by the day that they count for: a market's slips are rung up in the
    /// evening.
    fn of_drawer(from: i64, to: i64, channel: &Channel) -> Self {
        Self {
            sales: "s.id >= $1 AND s.id < $2 AND s.channel = $3 AND s.backfilled = 0",
            refunds: "r.id >= $1 AND r.id < $2 AND r.channel = $3",
            payments: "p.id >= $1 AND p.id < $2 AND s.channel = $3",
            voids_from: "sale_void v CROSS JOIN sale s",
            voids: "s.id = v.sale_id AND v.at_ms >= $1 AND v.at_ms < $2 AND s.channel = $3",
            from,
            to,
            channel: channel.as_str().to_owned(),
        }
    }

    async fn sums(&self, connection: &mut AnyConnection, text: &str) -> Result<Sums, CommandError> {
        self.sums_of(connection, text, (self.from, self.to)).await
    }

    async fn sums_of(
        &self,
        connection: &mut AnyConnection,
        text: &str,
        span: (i64, i64),
    ) -> Result<Sums, CommandError> {
        let rows = sqlx::query(AssertSqlSafe(text.to_owned()))
            .bind(span.0)
            .bind(span.1)
            .bind(self.channel.clone())
            .fetch_all(connection)
            .await?;
        let mut sums = Sums::new();
        for row in rows {
            let kind = TenderKind::from_code(&row.try_get::<String, _>("kind")?);
            let kind = kind.ok_or("unknown").stored("tender.kind")?;
            *sums.entry(kind.code()).or_default() += row.try_get::<Option<i64>, _>("amount")?.unwrap_or(0);
        }
        Ok(sums)
    }
}

/// The tenders of the sales that `from` joins, less the change, which is cash.
fn of_sales(from: &str, condition: &str) -> [String; 2] {
    [
        format!(
            "SELECT t.kind, CAST(SUM(t.amount) AS BIGINT) AS amount FROM {from} JOIN tender t ON t.sale_id = s.id \
             WHERE {condition} AND t.kind <> 'exchange' GROUP BY t.kind"
        ),
        format!(
            "SELECT 'cash' AS kind, CAST(-SUM(s.change_given) AS BIGINT) AS amount FROM {from} WHERE {condition}"
        ),
    ]
}

fn added(mut one: Sums, other: &Sums) -> Sums {
    for (kind, amount) in other {
        *one.entry(kind).or_default() += amount;
    }
    one
}

/// Everything that is summed, before it is laid out by kind.
struct Parts {
    taken: Sums,
    balances: Sums,
    given_back: Sums,
    voided: Sums,
}

impl Ledger {
    /// Money by tender, in the order in which kinds are listed everywhere; kinds without any are left out.
    pub async fn takings(&self, of: TakingsOf) -> Result<Vec<Takings>, CommandError> {
        let shop = self.shop();
        let span = |from: Day, to: Day| {
            Scope::of_time(shop.zone.start_of(from).millis(), shop.zone.start_of(to).millis())
        };
        let parts = match of {
            TakingsOf::Turn(turn) => self.of_turn(turn).await?,
            TakingsOf::Day(day) => self.parts(&span(day, day.plus_days(1)), None).await?,
            TakingsOf::Month(month) => {
                self.parts(&span(month.first_day(), month.next().first_day()), None).await?
            }
        };
        parts.by_kind(shop.currency)
    }

    /// Cash is what the drawer's own entries say; the rest is what was written while it was open.
    async fn of_turn(&self, id: TurnId) -> Result<Parts, CommandError> {
        let turn = self.turn(id).await?;
        let opened = turn.opened.millis();
        let ended = turn.closed.as_ref().map_or(i64::MAX, |closed| closed.at.millis() + 1);
        let scope = Scope::of_drawer(id.raw(), bound_of(ended), &turn.channel);
        let mut parts = self.parts(&scope, Some((opened, ended))).await?;
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT kind, CAST(SUM(amount) AS BIGINT) AS amount FROM drawer_entry WHERE turn_id = $1 GROUP BY kind",
        )
        .bind(id.raw())
        .fetch_all(&mut *connection)
        .await?;
        let cash = TenderKind::Cash.code();
        for sums in [&mut parts.taken, &mut parts.balances, &mut parts.given_back, &mut parts.voided] {
            sums.remove(cash);
        }
        for row in rows {
            let amount: i64 = row.try_get("amount")?;
            match row.try_get::<String, _>("kind")?.as_str() {
                "sale" => parts.taken.insert(cash, amount),
                "payment" => parts.balances.insert(cash, amount),
                "refund" => parts.given_back.insert(cash, -amount),
                "void" => parts.voided.insert(cash, -amount),
                _ => None,
            };
        }
        Ok(parts)
    }

    /// Voids have no identifier; a drawer's are those of its time.
    async fn parts(&self, scope: &Scope, time: Option<(i64, i64)>) -> Result<Parts, CommandError> {
        let mut connection = self.reader().await?;
        let db = &mut *connection;
        let [tenders, change] = of_sales("sale s", scope.sales);
        let taken = added(scope.sums(db, &tenders).await?, &scope.sums(db, &change).await?);
        let [tenders, change] = of_sales(scope.voids_from, scope.voids);
        let time = time.unwrap_or((scope.from, scope.to));
        let voided =
            added(scope.sums_of(db, &tenders, time).await?, &scope.sums_of(db, &change, time).await?);
        let back = format!(
            "SELECT t.kind, CAST(SUM(t.amount) AS BIGINT) AS amount FROM refund r JOIN tender t ON t.refund_id = r.id \
             WHERE {} AND t.kind <> 'exchange' GROUP BY t.kind",
            scope.refunds
        );
        let balances = format!(
            "SELECT p.kind, CAST(SUM(p.amount) AS BIGINT) AS amount FROM payment p \
             CROSS JOIN open_balance o CROSS JOIN sale s \
             WHERE o.tender_id = p.tender_id AND s.id = o.sale_id AND {} GROUP BY p.kind",
            scope.payments
        );
        Ok(Parts {
            taken,
            balances: scope.sums(db, &balances).await?,
            given_back: scope.sums(db, &back).await?,
            voided,
        })
    }
}

impl Parts {
    fn by_kind(&self, currency: Currency) -> Result<Vec<Takings>, CommandError> {
        let mut rows = Vec::new();
        for kind in TenderKind::of_people() {
            let of = |sums: &Sums| {
                Money::from_minor(sums.get(kind.code()).copied().unwrap_or(0), currency)
                    .stored("tender.amount")
            };
            let (taken, balances) = (of(&self.taken)?, of(&self.balances)?);
            let (given_back, voided) = (of(&self.given_back)?, of(&self.voided)?);
            if [taken, balances, given_back, voided].iter().all(|amount| amount.is_zero()) {
                continue;
            }
            let net = taken.plus(balances).and_then(|sum| sum.minus(given_back)?.minus(voided));
            rows.push(Takings { kind, taken, balances, given_back, voided, net: net.field("total")? });
        }
        Ok(rows)
    }
}

/// What counts as money: everything but what is still to be paid, and what was taken with a deposit before.
pub fn money_in(rows: &[Takings], currency: Currency) -> Result<Money, CommandError> {
    let is_money = |kind| !matches!(kind, TenderKind::OnAccount | TenderKind::Deposit);
    let money = rows.iter().filter(|row| is_money(row.kind)).map(|row| row.net);
    Money::sum(money, currency).field("total")
}
