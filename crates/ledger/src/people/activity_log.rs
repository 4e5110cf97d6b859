//! The list of who changed what: prices, stock, money given back, people, settings. A row is written
//! in the transaction of the change itself, so that neither stands without the other.

use crate::store::Ledger;
use crate::store::command::Tx;
use crate::store::error::{CommandError, Stored};
use domain::day::Moment;
use domain::ids::AuditId;
use domain::money::Money;
use serde::{Deserialize, Serialize};
use sqlx::Row;

macro_rules! acts {
    ($($(#[$doc:meta])* $act:ident $code:literal $words:literal,)+) => {
        /// What was done.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
        #[serde(rename_all = "kebab-case")]
        pub enum Audited {
            $($(#[$doc])* $act,)+
        }

        impl Audited {
            /// All of them.
            pub const ALL: &'static [Self] = &[$(Self::$act,)+];

            /// As it stands in the database.
            pub fn code(self) -> &'static str {
                match self { $(Self::$act => $code,)+ }
            }

            /// In words.
            pub fn words(self) -> &'static str {
                match self { $(Self::$act => $words,)+ }
            }
        }
    };
}

acts! {
    /// An item's price.
    Price "price" "changed a price",
    /// A style's weight rate, ending or minimum.
    Rate "rate" "changed a rate",
    /// Stock counted, brought in or written off.
    Stock "stock" "changed stock",
    /// Money given back.
    Refund "refund" "refunded a sale",
    /// A sale voided.
    Void "void" "voided a sale",
    /// A setting of the shop.
    Setting "setting" "changed a setting",
    /// The first set-up.
    Begun "begun" "set up the shop",
    /// A person added.
    PersonAdded "person-added" "added a person",
    /// What a person is to the shop.
    PersonRole "person-role" "changed a role",
    /// A new password.
    PersonPassword "person-password" "set a password",
    /// A new PIN, or none any more.
    PersonPin "person-pin" "set a PIN",
    /// A second factor.
    SecondFactorOn "second-factor-on" "turned on two-step sign-in",
    /// No longer.
    SecondFactorOff "second-factor-off" "turned off two-step sign-in",
    /// New recovery codes.
    RecoveryCodes "recovery-codes" "created new recovery codes",
    /// A person may no longer enter.
    PersonEnded "person-ended" "removed a person",
    /// A device on which a PIN opens.
    DeviceEnrolled "device-enrolled" "registered a device",
    /// No longer.
    DeviceEnded "device-ended" "removed a device",
    /// A program's token.
    TokenAdded "token-added" "created an API token",
    /// No longer.
    TokenEnded "token-ended" "revoked an API token",
    /// How far a role or a token may go.
    Limits "limits" "changed limits",
    /// A connection to an online shop, new or changed.
    ConnectionSaved "connection-saved" "saved an online shop connection",
    /// No longer.
    ConnectionEnded "connection-ended" "ended an online shop connection",
    /// Messages that were parked wait again.
    SentAgain "sent-again" "sent messages again",
    /// Orders of a connection are read once more.
    OrdersReread "orders-reread" "imported orders again",
    /// Items are told to a connection from now on.
    PutOnConnection "put-on-connection" "listed items online",
    /// The other shop's own id of an item.
    OtherIdEntered "other-id-entered" "entered an online shop ID",
    /// An order that could not be taken, given up.
    KeptOrderDropped "kept-order-dropped" "ignored an order",
    /// What an order is that came with an unknown status.
    OrderStatus "order-status" "set an order's status",
    /// What becomes of a difference between the shops.
    DriftSettled "drift-settled" "settled a difference",
}

impl Audited {
    fn from_code(code: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|act| act.code() == code)
    }
}

/// One line of the list.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AuditRow {
    /// Its identifier, by which the list goes on.
    pub id: AuditId,
    /// When.
    pub at: Moment,
    /// Who.
    pub who: String,
    /// Did what.
    pub act: Audited,
    /// To what: a sku, a sale, a name, a setting.
    pub what: String,
    /// How it was and how it is.
    pub detail: String,
}

/// Writes a line. `who` and the words have been checked by the command that changes.
pub(crate) async fn note(
    tx: &mut Tx,
    who: &str,
    act: Audited,
    what: &str,
    detail: &str,
) -> Result<(), CommandError> {
    let id = tx.next_id()?;
    let now = tx.now().millis();
    sqlx::query("INSERT INTO activity (id, at_ms, who, act, what, detail) VALUES ($1, $2, $3, $4, $5, $6)")
        .bind(id)
        .bind(now)
        .bind(who.to_owned())
        .bind(act.code().to_owned())
        .bind(what.to_owned())
        .bind(detail.to_owned())
        .execute(tx.db())
        .await?;
    Ok(())
}

/// Writes a line if a price is another one now.
pub(crate) async fn note_price(
    tx: &mut Tx,
    who: &str,
    sku: &str,
    (old, new): (Money, Money),
    how: &str,
) -> Result<(), CommandError> {
    if old == new {
        return Ok(());
    }
    note(tx, who, Audited::Price, sku, &format!("{} → {}, {how}", old.shown(), new.shown())).await
}

impl Ledger {
    /// The list, the latest first, at most `limit`, before `before` if given.
    pub async fn audit(&self, before: Option<AuditId>, limit: usize) -> Result<Vec<AuditRow>, CommandError> {
        let mut connection = self.reader().await?;
        let rows = sqlx::query(
            "SELECT id, at_ms, who, act, what, detail FROM activity WHERE id < $1 ORDER BY id DESC LIMIT $2",
        )
        .bind(before.map_or(i64::MAX, AuditId::raw))
        .bind(i64::try_from(limit).unwrap_or(i64::MAX))
        .fetch_all(&mut *connection)
        .await?;
        let read = |row: &sqlx::any::AnyRow| {
            let act: String = row.try_get(3)?;
            Ok(AuditRow {
                id: AuditId::from_raw(row.try_get(0)?),
                at: Moment::from_millis(row.try_get(1)?),
                who: row.try_get(2)?,
                act: Audited::from_code(&act).ok_or(act).stored("audit.act")?,
                what: row.try_get(4)?,
                detail: row.try_get(5)?,
            })
        };
        rows.iter().map(read).collect()
    }
}
