//! GET /api/shelf

use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::QueryParam;
use axum::Json;
use axum::extract::State;
use ledger::shelf::{ShelfQuery, ShelfRow};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Which stock to show.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct ShelfParams {
    /// `true`, or without a value: only what has sold out.
    #[serde(rename = "sold-out")]
    sold_out: Option<String>,
}

impl ShelfParams {
    fn read(&self) -> Result<ShelfQuery, Problem> {
        let sold_out = match self.sold_out.as_deref() {
            Some("" | "true") => true,
            None | Some("false") => false,
            Some(_) => return Err(Problem::invalid_parameter("sold-out", "write true or false")),
        };
        Ok(ShelfQuery { sold_out })
    }
}

/// Stock by style, size and color, sorted by these.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct ShelfShown {
    rows: Vec<ShelfRowShown>,
}

/// A style, size and color, or an item without a style.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct ShelfRowShown {
    style: String,
    size: String,
    color: String,
    /// piece, counted or weight.
    kind: &'static str,
    /// The unit of goods by weight.
    unit_code: Option<&'static str>,
    on_hand: String,
    held: String,
    sold: String,
    lowest_price: String,
    highest_price: String,
}

impl From<ShelfRow> for ShelfRowShown {
    fn from(row: ShelfRow) -> Self {
        Self {
            style: row.style,
            size: row.size,
            color: row.color,
            kind: row.kind.code(),
            unit_code: row.unit.map(domain::weight::WeightUnit::code),
            on_hand: row.on_hand.to_string(),
            held: row.held.to_string(),
            sold: row.sold.to_string(),
            lowest_price: row.lowest.to_string(),
            highest_price: row.highest.to_string(),
        }
    }
}

/// Stock by style, size and color; with `sold-out`, what is worth making next.
#[utoipa::path(get, path = "/api/shelf", tag = "stock", params(ShelfParams),
    responses((status = 200, description = "The rows.", body = ShelfShown), ReadProblems))]
pub(crate) async fn read_shelf(
    State(app): State<App>,
    QueryParam(asked): QueryParam<ShelfParams>,
) -> Result<Json<ShelfShown>, Problem> {
    let rows = app.ledger.shelf(&asked.read()?).await?;
    Ok(Json(ShelfShown { rows: rows.into_iter().map(ShelfRowShown::from).collect() }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::{Value, json};

    #[tokio::test]
    async fn the_shelf_and_what_is_sold_out() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let names = |reply: &Value| -> Vec<String> {
            let rows = reply["rows"].as_array().expect("rows");
            rows.iter().filter_map(|r| r["style"].as_str().map(str::to_owned)).collect()
        };
        let all = shop.get("/api/shelf").await.json();
        assert_eq!(names(&all), ["Drop spindle", "Grey roving", "Moor cowl"]);
        let roving = all["rows"][1].clone();
        let expected = json!({"style": "Grey roving", "size": "", "color": "grey", "kind": "weight", "unitCode": "ONZ",
            "onHand": "40.000", "held": "0.000", "sold": "0.000", "lowestPrice": "2.25", "highestPrice": "2.25"});
        assert_eq!(roving, expected);
        for query in ["sold-out", "sold-out=true"] {
            assert_eq!(names(&shop.get(&format!("/api/shelf?{query}")).await.json()), Vec::<String>::new());
        }
        shop.sell("HAT", "k2").await;
        assert_eq!(names(&shop.get("/api/shelf?sold-out").await.json()), ["Moor cowl"]);
        for query in ["sold-out=yes", "soldout=true"] {
            shop.get(&format!("/api/shelf?{query}")).await.expect_problem("invalid", 422);
        }
    }
}
