//! What addresses carry: parts of the path, the query, cursors.

use crate::problem::{Kind, Problem};
use axum::extract::rejection::{PathRejection, QueryRejection};
use axum::extract::{FromRequestParts, Path, Query};
use axum::http::request::Parts;
use domain::codes::Code;
use domain::ids::{
    AccountId, BasketId, CustomOrderId, CustomerId, DeviceId, HoldGroupId, OrderId, OrderLineId, PersonId,
    RefundId, RefundLineId, SaleId, SessionId, TenderId, TurnId,
};
use domain::people::Role;
use serde::Deserialize;
use serde::de::DeserializeOwned;
use std::str::FromStr;
use utoipa::IntoParams;

/// Rows of an answer if the caller names no limit.
pub(crate) const DEFAULT_ROWS: usize = 50;
/// The most rows of one answer.
pub(crate) const MAX_ROWS: usize = 200;

/// Substitutes that are offered for a piece: one row of tags.
pub(crate) const CLOSEST_SHOWN: usize = 8;

pub(crate) trait Named: Sized {
    fn named(text: &str) -> Result<Self, Problem>;
}

impl Named for Code {
    fn named(text: &str) -> Result<Self, Problem> {
        Self::parse(text).map_err(|error| Problem::invalid_parameter("code", error))
    }
}

impl Named for Role {
    fn named(text: &str) -> Result<Self, Problem> {
        Self::from_code(text).ok_or_else(|| no_such("role", text))
    }
}

#[derive(Clone, Debug)]
pub(crate) struct TokenName(pub(crate) String);

impl Named for TokenName {
    fn named(text: &str) -> Result<Self, Problem> {
        domain::text::name(text).map(Self).map_err(|_| no_such("token", text))
    }
}

#[derive(Clone, Copy, Debug)]
pub(crate) struct Receipt(pub(crate) i64);

impl Named for Receipt {
    fn named(text: &str) -> Result<Self, Problem> {
        let digits = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        let number = text.parse().ok().filter(|_| digits);
        number.map(Self).ok_or_else(|| no_such("receipt", text))
    }
}

pub(crate) fn no_such(what: &str, text: &str) -> Problem {
    let shown: String = text.chars().take(40).collect();
    Problem::new(Kind::NoSuch, format!("there is no {what} {shown}"))
}

macro_rules! named_ids {
    ($($id:ident $what:literal),+ $(,)?) => {$(
        impl Named for $id {
            fn named(text: &str) -> Result<Self, Problem> {
                text.parse().map_err(|_| no_such($what, text))
            }
        }
    )+};
}

named_ids! {
    AccountId "gift certificate or deposit",
    CustomOrderId "custom order",
    CustomerId "customer",
    SaleId "sale",
    HoldGroupId "hold",
    TenderId "open balance",
    RefundId "refund",
    RefundLineId "line of a refund",
    BasketId "sale in progress",
    TurnId "drawer count",
    OrderId "order",
    OrderLineId "line of an order",
    PersonId "person",
    DeviceId "device",
    SessionId "session",
}

/// The one part of the path that varies.
pub(crate) struct PathParam<T>(pub(crate) T);

impl<T: Named, S: Send + Sync> FromRequestParts<S> for PathParam<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Path(text) = Path::<String>::from_request_parts(parts, state)
            .await
            .map_err(|error: PathRejection| Problem::new(Kind::Malformed, error.body_text()))?;
        T::named(&text).map(PathParam)
    }
}

/// A line of an order in a path.
#[derive(Clone, Copy, Debug)]
pub(crate) struct OrderLinePath {
    pub(crate) order: OrderId,
    pub(crate) line: OrderLineId,
}

impl<S: Send + Sync> FromRequestParts<S> for OrderLinePath {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Path((order, line)) = Path::<(String, String)>::from_request_parts(parts, state)
            .await
            .map_err(|error: PathRejection| Problem::new(Kind::Malformed, error.body_text()))?;
        Ok(Self { order: OrderId::named(&order)?, line: OrderLineId::named(&line)? })
    }
}

/// The query, parsed strictly: an unknown parameter is an error.
pub(crate) struct QueryParam<T>(pub(crate) T);

impl<T: DeserializeOwned, S: Send + Sync> FromRequestParts<S> for QueryParam<T> {
    type Rejection = Problem;

    async fn from_request_parts(parts: &mut Parts, state: &S) -> Result<Self, Problem> {
        let Query(query) =
            Query::<T>::from_request_parts(parts, state).await.map_err(|error: QueryRejection| {
                let text = error.body_text();
                let words = text.strip_prefix("Failed to deserialize query string: ").unwrap_or(&text);
                Problem::invalid_parameter("query", words)
            })?;
        Ok(Self(query))
    }
}

#[derive(Debug, Default, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct PageQuery {
    /// `next` of the answer before; the first rows without it.
    cursor: Option<String>,
    /// How many rows, 1 to 200; 50 without it.
    limit: Option<String>,
}

impl PageQuery {
    pub(crate) fn read<Id: FromStr>(&self) -> Result<Page<Id>, Problem> {
        Page::read(self.cursor.as_deref(), self.limit.as_deref())
    }
}

/// Part of a list: at most `rows`, after `after`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Page<Id> {
    pub(crate) after: Option<Id>,
    pub(crate) rows: usize,
}

impl<Id: FromStr> Page<Id> {
    pub(crate) fn read(cursor: Option<&str>, limit: Option<&str>) -> Result<Self, Problem> {
        let not_a_cursor = || {
            Problem::invalid_parameter(
                "cursor",
                "this is not a cursor; take it from `next` of the previous answer",
            )
        };
        let after = cursor.map(|text| text.parse().map_err(|_| not_a_cursor())).transpose()?;
        Ok(Self { after, rows: rows(limit)? })
    }

    /// How many rows to read: one more than is answered, which tells whether there are more.
    pub(crate) fn and_one(&self) -> usize {
        self.rows + 1
    }

    /// Cuts the rows to those that are answered; returns the cursor if there are more.
    pub(crate) fn cut<Row>(&self, read: &mut Vec<Row>, id: impl Fn(&Row) -> String) -> Option<String> {
        if read.len() <= self.rows {
            return None;
        }
        read.truncate(self.rows);
        read.last().map(id)
    }
}

pub(crate) fn rows(limit: Option<&str>) -> Result<usize, Problem> {
    let Some(text) = limit else { return Ok(DEFAULT_ROWS) };
    let digits = text.bytes().all(|b| b.is_ascii_digit());
    let rows = text.parse().ok().filter(|rows| digits && (1..=MAX_ROWS).contains(rows));
    rows.ok_or_else(|| {
        Problem::invalid_parameter("limit", format!("a list has 1 to {MAX_ROWS} rows at a time"))
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use domain::ids::ItemId;

    #[test]
    fn limits_and_cursors_are_read_strictly() {
        let check = |cursor: Option<&str>, limit: Option<&str>, expected: Option<(Option<i64>, usize)>| {
            let read = Page::<ItemId>::read(cursor, limit).ok().map(|p| (p.after.map(ItemId::raw), p.rows));
            assert_eq!(read, expected, "{cursor:?} {limit:?}");
        };
        check(None, None, Some((None, DEFAULT_ROWS)));
        check(Some("77"), Some("200"), Some((Some(77), 200)));
        check(None, Some("1"), Some((None, 1)));
        check(None, Some("0"), None);
        check(None, Some("201"), None);
        check(None, Some("+5"), None);
        check(None, Some(""), None);
        check(None, Some("99999999999999999999"), None);
        check(Some("x"), None, None);
        check(Some("-1"), None, None);
        check(Some("00000000000000000000"), None, None);
    }

    #[test]
    fn a_cut_page_has_a_cursor() {
        let check = |rows: usize, read: &[i32], kept: usize, next: Option<&str>| {
            let page = Page::<ItemId> { after: None, rows };
            let mut read = read.to_vec();
            assert_eq!(page.cut(&mut read, ToString::to_string).as_deref(), next);
            assert_eq!(read.len(), kept);
        };
        check(2, &[5, 4, 3], 2, Some("4"));
        check(3, &[5, 4, 3], 3, None);
        check(2, &[], 0, None);
    }
}
