//! The activity log: who changed prices, stock, refunds, people, settings. An entry is written in the
//! transaction of the change, so that neither exists without the other.

use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use crate::store::sql::insert_rows;
use crate::store::tables;
use domain::day::Moment;
use domain::ids::{ActivityId, CustomerId};
use domain::money::Money;
use serde::{Deserialize, Serialize};
use sqlx::Row;

macro_rules! acts {
    ($($(#[$doc:meta])* $act:ident $code:literal $words:literal,)+) => {
        /// What was done.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Activity {
            $($(#[$doc])* $act,)+
        }

        impl Activity {
            /// In the order of their definition.
            pub const ALL: &'static [Self] = &[$(Self::$act,)+];

            /// The code in the database.
            pub fn code(self) -> &'static str {
                match self { $(Self::$act => $code,)+ }
            }

            /// The words in the log.
            pub fn words(self) -> &'static str {
                match self { $(Self::$act => $words,)+ }
            }
        }
    };
}

acts! {
    /// An item's price.
    Price "price" "changed a price",
    /// What is known of an item besides its price.
    Correction "correction" "corrected an item",
    /// A piece that was entered by mistake.
    Removal "removal" "removed a piece",
    /// A style's weight rate, ending or minimum.
    Rate "rate" "changed a rate",
    /// Stock counted, added or written off.
    Stock "stock" "changed stock",
    /// Money refunded.
    Refund "refund" "refunded a sale",
    /// A gift certificate brought in, renumbered or ended.
    Certificate "certificate" "changed a gift certificate",
    /// A deposit forfeited.
    Deposit "deposit" "ended a deposit",
    /// A custom order taken, made or canceled.
    CustomOrder "custom-order" "changed a custom order",
    /// A sale voided.
    Void "void" "voided a sale",
    /// A setting of the shop.
    Setting "setting" "changed a setting",
    /// The first set-up.
    Begun "begun" "set up the shop",
    /// A person added.
    PersonAdded "person-added" "added a person",
    /// A person's role.
    PersonRole "person-role" "changed a role",
    /// A new password.
    PersonPassword "person-password" "set a password",
    /// A new PIN, or none any more.
    PersonPin "person-pin" "set a PIN",
    /// Two-step sign-in turned on.
    SecondFactorOn "second-factor-on" "turned on two-step sign-in",
    /// Two-step sign-in turned off.
    SecondFactorOff "second-factor-off" "turned off two-step sign-in",
    /// New recovery codes.
    RecoveryCodes "recovery-codes" "created new recovery codes",
    /// A person can no longer sign in.
    PersonEnded "person-ended" "removed a person",
    /// A device on which PINs work.
    DeviceEnrolled "device-enrolled" "registered a device",
    /// A device removed.
    DeviceEnded "device-ended" "removed a device",
    /// A program's token.
    TokenAdded "token-added" "created an API token",
    /// A token ended.
    TokenEnded "token-ended" "revoked an API token",
    /// A customer added.
    CustomerAdded "customer-added" "added a customer",
    /// How a customer can be reached.
    CustomerChanged "customer-changed" "changed a customer",
    /// The terms on which a customer buys.
    CustomerTerms "customer-terms" "changed a customer's terms",
    /// A customer's data given out.
    CustomerExported "customer-exported" "exported a customer's data",
    /// A customer's data erased.
    CustomerErased "customer-erased" "erased a customer's data",
    /// Something above another person's limits.
    Approved "approved" "approved",
    /// What a role or a token may do.
    Limits "limits" "changed limits",
    /// A connection to an online shop, new or changed.
    ConnectionSaved "connection-saved" "saved an online shop connection",
    /// A connection ended.
    ConnectionEnded "connection-ended" "ended an online shop connection",
    /// Messages that needed attention are sent again.
    SentAgain "sent-again" "sent messages again",
    /// Orders of a connection are read again.
    OrdersReread "orders-reread" "imported orders again",
    /// Items are listed on a connection from now on.
    PutOnConnection "put-on-connection" "listed items online",
    /// The online shop's own id of an item.
    OtherIdEntered "other-id-entered" "entered an online shop ID",
    /// An order that could not be taken in and was dropped.
    DeferredOrderDropped "deferred-order-dropped" "ignored an order",
    /// The decision about an order with an unknown status.
    OrderStatus "order-status" "set an order's status",
    /// The decision about a difference between the shops.
    DifferenceSettled "difference-settled" "settled a difference",
}

impl Activity {
    fn from_code(code: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|act| act.code() == code)
    }
}

/// An entry of the log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ActivityRow {
    /// Also the cursor for reading on.
    pub id: ActivityId,
    /// When.
    pub at: Moment,
    /// A person, a token, or the program.
    pub who: String,
    /// Did what.
    pub act: Activity,
    /// A SKU, a sale, a name, a setting. Of a customer the name, or nothing once they are erased.
    pub what: String,
    /// The customer whom it is about.
    pub customer: Option<CustomerId>,
    /// The value before and after.
    pub detail: String,
}

/// Writes an entry. The calling command has checked `who` and the texts.
pub(crate) async fn note(
    tx: &mut Tx,
    who: &str,
    act: Activity,
    what: &str,
    detail: &str,
) -> Result<(), CommandError> {
    write(tx, who, act, (what, None), detail).await
}

/// The same about a customer, whose name it shows until they are erased.
pub(crate) async fn note_customer(
    tx: &mut Tx,
    who: &str,
    act: Activity,
    customer: CustomerId,
    detail: &str,
) -> Result<(), CommandError> {
    write(tx, who, act, ("", Some(customer)), detail).await
}

async fn write(
    tx: &mut Tx,
    who: &str,
    act: Activity,
    (what, customer): (&str, Option<CustomerId>),
    detail: &str,
) -> Result<(), CommandError> {
    let id = tx.next_id()?;
    let now = tx.now().millis();
    sqlx::query(
        "INSERT INTO activity (id, at_ms, who, act, what, detail, customer_id) VALUES ($1, $2, $3, $4, $5, $6, $7)",
    )
    .bind(id)
    .bind(now)
    .bind(who.to_owned())
    .bind(act.code().to_owned())
    .bind(what.to_owned())
    .bind(detail.to_owned())
    .bind(customer.map(CustomerId::raw))
    .execute(tx.db())
    .await?;
    Ok(())
}

/// Writes an entry if a price has changed.
pub(crate) async fn note_price(
    tx: &mut Tx,
    who: &str,
    sku: &str,
    (old, new): (Money, Money),
    how: &str,
) -> Result<(), CommandError> {
    match price_words(old, new, how) {
        Some(detail) => note(tx, who, Activity::Price, sku, &detail).await,
        None => Ok(()),
    }
}

/// What an entry says about a price; none if it has not changed.
pub(crate) fn price_words(old: Money, new: Money, how: &str) -> Option<String> {
    (old != new).then(|| format!("{} → {}, {how}", old.shown(), new.shown()))
}

/// Writes entries for many prices: SKUs with [`price_words`].
pub(crate) async fn note_prices(
    tx: &mut Tx,
    who: &str,
    prices: &[(String, String)],
) -> Result<(), CommandError> {
    let now = tx.now().millis();
    let row = |(sku, detail)| Ok((tx.next_id()?, sku, detail));
    let rows: Vec<(i64, &String, &String)> =
        prices.iter().map(|(sku, detail)| (sku, detail)).map(row).collect::<Result<_, CommandError>>()?;
    insert_rows(tx.db(), &tables::ACTIVITY, &rows, |statement, (id, sku, detail)| {
        statement
            .bind(*id)
            .bind(now)
            .bind(who.to_owned())
            .bind(Activity::Price.code().to_owned())
            .bind((*sku).clone())
            .bind((*detail).clone())
            .bind(None::<i64>)
    })
    .await?;
    Ok(())
}

impl Ledger {
    /// The log, latest first, at most `limit`, before `before` if given.
    pub async fn activity(
        &self,
        before: Option<ActivityId>,
        limit: usize,
    ) -> Result<Vec<ActivityRow>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT a.id, a.at_ms, a.who, a.act, a.what, a.detail, a.customer_id, p.name FROM activity a \
             LEFT JOIN person_data p ON p.id = a.customer_id WHERE a.id < $1 ORDER BY a.id DESC LIMIT $2",
        )
        .bind(before.map_or(i64::MAX, ActivityId::raw))
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &sqlx::any::AnyRow| {
            let act: String = row.try_get("act")?;
            Ok(ActivityRow {
                id: ActivityId::from_raw(row.try_get("id")?),
                at: Moment::from_millis(row.try_get("at_ms")?),
                who: row.try_get("who")?,
                act: Activity::from_code(&act).ok_or(act).stored("activity.act")?,
                what: row.try_get::<Option<String>, _>("name")?.map_or_else(|| row.try_get("what"), Ok)?,
                customer: row.try_get::<Option<i64>, _>("customer_id")?.map(CustomerId::from_raw),
                detail: row.try_get("detail")?,
            })
        };
        rows.iter().map(read).collect()
    }
}
