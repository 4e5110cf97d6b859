//! Reads one customer.

use super::person_data;
use crate::store::Ledger;
use crate::store::error::{CommandError, Stored};
use crate::store::rejection::{Rejection, Thing};
use domain::customer::{BasisPoints, Contact, Exemption, Terms};
use domain::day::{Day, Moment};
use domain::ids::CustomerId;
use serde::{Deserialize, Serialize};
use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Row};

/// Whether a customer's data is there.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub enum CustomerState {
    /// It is.
    OnFile,
    /// It was erased.
    Erased {
        /// When.
        at: Moment,
        /// The name that has to be kept with the tax exemption's certificate.
        kept_name: Option<String>,
    },
}

/// A customer.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct CustomerView {
    /// The identifier.
    pub id: CustomerId,
    /// Empty if erased.
    pub contact: Contact,
    /// The terms on which they buy.
    pub terms: Terms,
    /// The revision on which a change is based.
    pub revision: i64,
    /// Who added them.
    pub made_by: String,
    /// When they were last changed.
    pub changed: Moment,
    /// Whether the data is there.
    pub state: CustomerState,
}

const CUSTOMER: &str = "SELECT c.id, p.name, p.email, p.phone, p.note, c.wholesale, c.certificate, c.keep_until, c.discount, \
    c.revision, c.made_by, c.changed_ms, p.erased_ms, k.name AS kept_name FROM customer c \
    JOIN person_data p ON p.id = c.id LEFT JOIN person_data k ON k.id = c.kept_id WHERE c.id = $1";

impl Ledger {
    /// A customer on file, or one who was.
    pub async fn customer(&self, id: CustomerId) -> Result<CustomerView, CommandError> {
        let mut connection = self.reader().await?;
        read(&mut connection, id).await
    }
}

pub(crate) async fn read(
    connection: &mut AnyConnection,
    id: CustomerId,
) -> Result<CustomerView, CommandError> {
    let row = sqlx::query(CUSTOMER)
        .bind(id.raw())
        .fetch_optional(connection)
        .await?
        .ok_or_else(|| Rejection::no_such(Thing::Customer, id))?;
    let kept: Option<String> = row.try_get("kept_name")?;
    let state = match person_data::erased(&row)? {
        Some(at) => CustomerState::Erased { at, kept_name: kept.filter(|name| !name.is_empty()) },
        None => CustomerState::OnFile,
    };
    Ok(CustomerView {
        id,
        contact: Contact {
            name: row.try_get("name")?,
            email: row.try_get("email")?,
            phone: row.try_get("phone")?,
            note: row.try_get("note")?,
        },
        terms: terms_of(&row)?,
        revision: row.try_get("revision")?,
        made_by: row.try_get("made_by")?,
        changed: Moment::from_millis(row.try_get("changed_ms")?),
        state,
    })
}

/// The terms in a row with `wholesale`, `certificate`, `keep_until` and `discount`, any of which may be NULL.
pub(crate) fn terms_of(row: &AnyRow) -> Result<Terms, CommandError> {
    let certificate: Option<String> = row.try_get("certificate")?;
    let keep_until = row.try_get::<Option<i64>, _>("keep_until")?.map(Day::from_number);
    let exemption = certificate
        .filter(|number| !number.is_empty())
        .zip(keep_until)
        .map(|(certificate, keep_until)| Exemption { certificate, keep_until });
    let wholesale = row.try_get::<Option<i64>, _>("wholesale")? == Some(1);
    Ok(Terms { wholesale, exemption, discount: read_discount(row)? })
}

fn read_discount(row: &AnyRow) -> Result<Option<BasisPoints>, CommandError> {
    let points: Option<i64> = row.try_get("discount")?;
    points.map(BasisPoints::try_from).transpose().stored("customer.discount")
}
