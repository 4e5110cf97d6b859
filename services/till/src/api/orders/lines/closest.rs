//! GET /api/orders/{id}/lines/{line}/closest

use crate::app::App;
use crate::problem::{Kind, Problem, ReadProblems};
use crate::request::query::{CLOSEST_SHOWN, OrderLinePath};
use crate::request::values::WeightText;
use axum::Json;
use axum::extract::State;
use domain::codes::Code;
use ledger::Rejection;
use ledger::orders::Closest;
use ledger::rejection::Thing;
use serde::Serialize;
use utoipa::ToSchema;

/// The closest pieces, closest first.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ClosestShown {
    pieces: Vec<ClosePiece>,
}

/// A possible substitute.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ClosePiece {
    sku: String,
    name: String,
    color: String,
    size: String,
    weight: Option<WeightText>,
    price: String,
    same_style: bool,
    same_size: bool,
    /// The difference of their colors, in hundredths of a CIEDE2000 unit; null if one is unknown.
    colors_apart: Option<String>,
}

impl From<Closest> for ClosePiece {
    fn from(one: Closest) -> Self {
        Self {
            sku: one.item.sku,
            name: one.item.text.name,
            color: one.item.text.color,
            size: one.item.text.size,
            weight: one.item.weight.map(WeightText::from),
            price: one.item.price.to_string(),
            same_style: one.same_style,
            same_size: one.same_size,
            colors_apart: one.apart.map(|apart| apart.hundredths().to_string()),
        }
    }
}

/// The pieces in stock that come closest to what the line waits for: by style, size, color and weight.
#[utoipa::path(get, path = "/api/orders/{id}/lines/{line}/closest", tag = "online",
    params(("id" = String, Path, description = "The order."), ("line" = String, Path, description = "Its line.")),
    responses((status = 200, description = "The closest pieces.", body = ClosestShown), ReadProblems))]
pub(crate) async fn list_closest(
    State(app): State<App>,
    OrderLinePath { order, line }: OrderLinePath,
) -> Result<Json<ClosestShown>, Problem> {
    let detail = app.ledger.order(order).await?;
    let found = detail.line(line).ok_or_else(|| Problem::from(Rejection::no_such(Thing::OrderLine, line)))?;
    let code = Code::parse(&found.line.code)
        .map_err(|error| Problem::new(Kind::StorageError, "a line without its code").because(&error))?;
    let closest = app.ledger.closest(&code, found.line.quantity, CLOSEST_SHOWN).await?;
    Ok(Json(ClosestShown { pieces: closest.into_iter().map(ClosePiece::from).collect() }))
}
