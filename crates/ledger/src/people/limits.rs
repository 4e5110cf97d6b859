//! Who acts, and how far they may go: read within the transaction that acts, so that what the owner has
//! just said holds.

use crate::people::activity_log::{self, Audited};
use crate::sales::booking::DraftLine;
use crate::shelf::holds::Purpose;
use crate::store::Ledger;
use crate::store::command::{Command, Tx};
use crate::store::error::{Failure, Naming, Stored};
use crate::store::rejection::Refusal;
use async_trait::async_trait;
use domain::channel::Channel;
use domain::day::Moment;
use domain::ids::SaleId;
use domain::limits::{AboveLimit, LimitName, Limits};
use domain::money::{Currency, Money};
use domain::people::Role;
use domain::text;
use serde::{Deserialize, Serialize};
use sqlx::{AnyConnection, Row};

const DAY_MS: i64 = 24 * 60 * 60 * 1000;
/// Baskets that one whose holds are limited may have held at once: more than anybody pays at a time, and few
/// enough that no program holds the whole shelf. Without a basket's hold nothing could be sold.
const MAX_HELD_BASKETS: i64 = 20;
/// What a value is called that takes a limit back to what it is without one of its own.
const DEFAULT: &str = "default";

/// Somebody who has been let in, with what their limits are found by. Without one (the command line, the
/// program's own work) there are none.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Actor {
    /// Their name, by which their holds are counted: a person's and a token's never are the same.
    pub who: String,
    /// What they are to the shop.
    pub role: Role,
    /// The identifier of the token by which they came, if it is a program.
    pub token: Option<String>,
}

/// Whose limits.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum LimitsOf {
    /// Everybody's of a role. An owner has none.
    Role(Role),
    /// A token's own, by its name.
    Token(String),
}

impl From<AboveLimit> for Failure {
    fn from(above: AboveLimit) -> Self {
        Refusal::AboveLimit(above).into()
    }
}

fn of_role(role: Role) -> String {
    format!("role:{role}")
}

fn of_token(jti: &str) -> String {
    format!("token:{jti}")
}

/// A role's, with a token's own before them.
async fn read(
    connection: &mut AnyConnection,
    currency: Currency,
    role: Role,
    jti: Option<&str>,
) -> Result<Limits, Failure> {
    let token = jti.map(of_token).unwrap_or_default();
    let rows = sqlx::query("SELECT caller, name, value FROM caller_limit WHERE caller IN ($1, $2)")
        .bind(of_role(role))
        .bind(token.clone())
        .fetch_all(connection)
        .await?;
    let mut limits = Limits::of_role(role);
    for of_this in [false, true] {
        for row in &rows {
            if (row.try_get::<String, _>(0)? == token) == of_this {
                let name: String = row.try_get(1)?;
                let name = LimitName::from_code(&name).ok_or(name).stored("caller_limit.name")?;
                limits.set(name, &row.try_get::<String, _>(2)?, currency).stored("caller_limit.value")?;
            }
        }
    }
    Ok(limits)
}

impl Tx {
    /// The limits of whoever acts.
    pub(crate) async fn limits(&mut self) -> Result<Limits, Failure> {
        let currency = self.shop().currency;
        match self.actor().cloned() {
            None | Some(Actor { role: Role::Owner, token: None, .. }) => Ok(Limits::none()),
            Some(actor) => read(self.db(), currency, actor.role, actor.token.as_deref()).await,
        }
    }
}

/// Refuses a sale that goes beyond the limits of whoever rings it up. `spread`: something was taken off the
/// sale as a whole.
pub(crate) async fn allow_sale(
    tx: &mut Tx,
    channel: &Channel,
    at: Option<Moment>,
    lines: &[DraftLine],
    spread: bool,
) -> Result<(), Failure> {
    let limits = tx.limits().await?;
    limits.allow_channel(channel)?;
    if let Some(at) = at {
        limits.allow_backdate(days_back(tx, at))?;
    }
    for line in lines {
        limits.allow_discount(line.money.amount, line.money.discount, spread)?;
        limits.allow_tax(line.money.tax)?;
    }
    Ok(())
}

/// Whole days of the shop's calendar.
fn days_back(tx: &Tx, at: Moment) -> i64 {
    let zone = &tx.shop().zone;
    let start = |moment: Moment| zone.start_of(zone.day_of(moment)).millis();
    // A day has an hour more or less when clocks are changed.
    (start(tx.now()) - start(at) + DAY_MS / 2).div_euclid(DAY_MS)
}

/// Refuses that more goes back of a sale than whoever does it may give back. Asked after it was written.
pub(crate) async fn allow_refund(tx: &mut Tx, sale: SaleId) -> Result<(), Failure> {
    let limits = tx.limits().await?;
    let row = sqlx::query("SELECT CAST(COALESCE(SUM(tendered), 0) AS BIGINT) FROM refund WHERE sale_id = $1")
        .bind(sale.raw())
        .fetch_one(tx.db())
        .await?;
    let total = Money::from_minor(row.try_get(0)?, tx.shop().currency).stored("refund.tendered")?;
    Ok(limits.allow_refund(total)?)
}

/// Refuses to void a sale of which more was paid than whoever does it may give back.
pub(crate) async fn allow_void(tx: &mut Tx, sale: SaleId) -> Result<(), Failure> {
    let limits = tx.limits().await?;
    let row = sqlx::query("SELECT tendered - change_given FROM sale WHERE id = $1")
        .bind(sale.raw())
        .fetch_one(tx.db())
        .await?;
    let paid = Money::from_minor(row.try_get(0)?, tx.shop().currency).stored("sale.tendered")?;
    Ok(limits.allow_refund(paid)?)
}

/// Refuses one hold too many. Asked after it was written: whoever does the same at the same moment waits at
/// the books' row, so that both are counted.
pub(crate) async fn allow_another_hold(tx: &mut Tx, purpose: Purpose) -> Result<(), Failure> {
    let limits = tx.limits().await?;
    let Some(who) = tx.actor().map(|actor| actor.who.clone()).filter(|_| limits.counts_holds()) else {
        return Ok(());
    };
    tx.open_books(0).await?;
    let row = sqlx::query(
        "SELECT CAST(COUNT(DISTINCT group_id) AS BIGINT) FROM hold \
         WHERE held_by = $1 AND state = 'open' AND (until_ms IS NULL OR until_ms > $2) \
         AND (CASE WHEN purpose = 'basket' THEN 1 ELSE 0 END) = $3",
    )
    .bind(who)
    .bind(tx.now().millis())
    .bind(i64::from(purpose == Purpose::Basket))
    .fetch_one(tx.db())
    .await?;
    let open: i64 = row.try_get(0)?;
    match purpose {
        Purpose::Basket if open > MAX_HELD_BASKETS => {
            let (asked, allowed) = (open.to_string(), MAX_HELD_BASKETS.to_string());
            Err(AboveLimit { limit: LimitName::OpenHolds, asked, allowed }.into())
        }
        Purpose::Basket => Ok(()),
        _ => Ok(limits.allow_open_holds(open)?),
    }
}

/// Says how far a role or a token may go. What is not named stays; `default` takes a limit back.
#[derive(Clone, Debug, Serialize, Deserialize)]
pub struct SetLimits {
    /// Whose.
    pub of: LimitsOf,
    /// Each limit with its value as it is written.
    pub values: Vec<(LimitName, String)>,
    /// Who says so.
    pub who: String,
}

#[async_trait]
impl Command for SetLimits {
    type Answer = ();

    async fn run(&self, tx: &mut Tx) -> Result<(), Failure> {
        let who = text::short(&self.who).field("who")?;
        let shop = tx.shop();
        let (caller, what, role, token) = self.caller(tx).await?;
        for (name, value) in &self.values {
            let mut limits = Limits::none();
            if value.trim() != DEFAULT {
                limits.set(*name, value, shop.currency).field(name.code())?;
            }
            for channel in limits.channels().unwrap_or_default() {
                shop.known_channel(channel)?;
            }
            let before = read(tx.db(), shop.currency, role, token.as_deref()).await?.written(*name);
            sqlx::query("DELETE FROM caller_limit WHERE caller = $1 AND name = $2")
                .bind(caller.clone())
                .bind(name.code().to_owned())
                .execute(tx.db())
                .await?;
            if value.trim() != DEFAULT {
                sqlx::query("INSERT INTO caller_limit (caller, name, value) VALUES ($1, $2, $3)")
                    .bind(caller.clone())
                    .bind(name.code().to_owned())
                    .bind(limits.written(*name))
                    .execute(tx.db())
                    .await?;
            }
            let after = read(tx.db(), shop.currency, role, token.as_deref()).await?.written(*name);
            let detail = format!("{}: {before} → {after}", name.code());
            activity_log::note(tx, &who, Audited::Limits, &what, &detail).await?;
        }
        Ok(())
    }
}

/// A program that the owner has limited does not set its limits aside.
async fn refuse_limited_token(tx: &mut Tx) -> Result<(), Failure> {
    let Some(jti) = tx.actor().and_then(|actor| actor.token.clone()) else { return Ok(()) };
    let own = sqlx::query("SELECT name FROM caller_limit WHERE caller = $1 LIMIT 1")
        .bind(of_token(&jti))
        .fetch_optional(tx.db())
        .await?;
    if own.is_none() {
        return Ok(());
    }
    let reason = "this token has limits of its own, so it may not change any; a person does that";
    Err(Refusal::invalid("limits", reason).into())
}

impl SetLimits {
    /// By what they are found, in words, of which role, of which token.
    async fn caller(&self, tx: &mut Tx) -> Result<(String, String, Role, Option<String>), Failure> {
        // One at a time, so that what was and what is are each other's.
        tx.open_books(0).await?;
        refuse_limited_token(tx).await?;
        match &self.of {
            LimitsOf::Role(Role::Owner) => {
                let reason = "an owner has no limits; make the person a counter hand or a maker";
                Err(Refusal::invalid("role", reason).into())
            }
            LimitsOf::Role(role) => Ok((of_role(*role), format!("every {}", role.words()), *role, None)),
            LimitsOf::Token(name) => {
                let row = sqlx::query(
                    "SELECT jti, name, role FROM api_token WHERE folded = $1 AND ended_ms IS NULL",
                )
                .bind(text::fold(name.trim()))
                .fetch_optional(tx.db())
                .await?
                .ok_or_else(|| Refusal::no_such("token", name))?;
                let jti: String = row.try_get(0)?;
                let role: String = row.try_get(2)?;
                let role = Role::from_code(&role).ok_or(role).stored("api_token.role")?;
                Ok((of_token(&jti), format!("token {}", row.try_get::<String, _>(1)?), role, Some(jti)))
            }
        }
    }
}

impl Ledger {
    /// How far a role may go, and a token of it.
    pub async fn limits(&self, role: Role, jti: Option<&str>) -> Result<Limits, Failure> {
        let currency = self.shop().currency;
        let mut connection = self.reader().await?;
        read(&mut connection, currency, role, jti).await
    }
}
