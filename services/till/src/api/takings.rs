//! GET /api/books/tenders

use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::QueryParam;
use axum::Json;
use axum::extract::State;
use domain::day::{Day, Month};
use domain::ids::TurnId;
use ledger::sales::{Takings, TakingsOf, money_in};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Of which day, month or drawer; exactly one.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct TakingsParams {
    /// A day in the shop's time zone.
    #[param(example = "2026-05-17")]
    day: Option<String>,
    /// A month.
    #[param(example = "2026-05")]
    month: Option<String>,
    /// A drawer's count, as its page has it in its address.
    drawer: Option<String>,
}

impl TakingsParams {
    fn read(&self) -> Result<TakingsOf, Problem> {
        match (&self.day, &self.month, &self.drawer) {
            (Some(day), None, None) => {
                let day = Day::parse(day).map_err(|error| Problem::invalid_parameter("day", error))?;
                Ok(TakingsOf::Day(day))
            }
            (None, Some(month), None) => {
                let wrong = |error| {
                    Problem::invalid_parameter("month", format!("{error}; a month is written 2026-05"))
                };
                Month::parse(month).map(TakingsOf::Month).map_err(wrong)
            }
            (None, None, Some(turn)) => {
                let turn: Result<TurnId, _> = turn.parse();
                turn.map(TakingsOf::Turn).map_err(|error| Problem::invalid_parameter("drawer", error))
            }
            _ => Err(Problem::invalid_parameter("day", "give exactly one of day, month and drawer")),
        }
    }
}

/// Money by tender.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct TakingsShown {
    rows: Vec<TakingsRowShown>,
    /// The net of all rows but on account, which is not paid yet.
    total: String,
}

/// One kind of tender: taken + balances − given back − voided = net.
#[derive(Debug, Serialize, ToSchema)]
#[serde(rename_all = "camelCase")]
pub(crate) struct TakingsRowShown {
    tender: &'static str,
    /// From sales, less change.
    taken: String,
    /// For open balances, when they were paid.
    balances: String,
    /// With refunds.
    given_back: String,
    /// Of sales that were voided.
    voided: String,
    net: String,
}

impl From<&Takings> for TakingsRowShown {
    fn from(row: &Takings) -> Self {
        Self {
            tender: row.kind.code(),
            taken: row.taken.to_string(),
            balances: row.balances.to_string(),
            given_back: row.given_back.to_string(),
            voided: row.voided.to_string(),
            net: row.net.to_string(),
        }
    }
}

/// Money by tender for a day, a month or a drawer, to set beside the card terminal's own sum.
#[utoipa::path(get, path = "/api/books/tenders", tag = "books", params(TakingsParams),
    responses((status = 200, description = "The rows.", body = TakingsShown), ReadProblems))]
pub(crate) async fn read_takings(
    State(app): State<App>,
    QueryParam(asked): QueryParam<TakingsParams>,
) -> Result<Json<TakingsShown>, Problem> {
    let rows = app.ledger.takings(asked.read()?).await?;
    let total = money_in(&rows, app.ledger.shop().currency)?.to_string();
    Ok(Json(TakingsShown { rows: rows.iter().map(TakingsRowShown::from).collect(), total }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn a_day_and_its_month_have_the_money_by_tender() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let hat = json!({"channel": "store", "lines": [{"sku": "HAT", "quantity": "1"}],
            "tenders": [{"kind": "card", "amount": "42.00"}]});
        assert_eq!(shop.post("/api/sales", "k2", hat).await.status, 201);
        let row = |tender: &str, net: &str| json!({"tender": tender, "taken": net, "balances": "0.00", "givenBack": "0.00", "voided": "0.00", "net": net});
        let expected = json!({"rows": [row("cash", "48.00"), row("card", "42.00")], "total": "90.00"});
        for query in ["day=2026-05-17", "month=2026-05"] {
            assert_eq!(shop.get(&format!("/api/books/tenders?{query}")).await.json(), expected, "{query}");
        }
        let none = json!({"rows": [], "total": "0.00"});
        assert_eq!(shop.get("/api/books/tenders?day=2026-05-18").await.json(), none);
        for query in
            ["", "?day=2026-05-17&month=2026-05", "?day=May", "?month=2026-13", "?drawer=x", "?from=2026-05"]
        {
            shop.get(&format!("/api/books/tenders{query}")).await.expect_problem("invalid", 422);
        }
        shop.get("/api/books/tenders?drawer=7").await.expect_problem("no-such", 404);
    }
}
