//! GET /api/books

use crate::app::App;
use crate::problem::{Problem, ReadProblems};
use crate::request::query::QueryParam;
use axum::Json;
use axum::extract::State;
use domain::day::Month;
use ledger::books::{BooksBy, BooksQuery, BooksRow};
use serde::{Deserialize, Serialize};
use utoipa::{IntoParams, ToSchema};

/// Which part of the books, and how to group it.
#[derive(Debug, Deserialize, IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub(crate) struct BooksParams {
    /// `day`, `month`, `channel`, separated by commas; without it, one row has the totals.
    #[param(example = "month,channel")]
    by: Option<String>,
    /// The first month, inclusive.
    #[param(example = "2026-01")]
    from: Option<String>,
    /// The last month, inclusive.
    #[param(example = "2026-12")]
    to: Option<String>,
}

impl BooksParams {
    fn read(&self) -> Result<BooksQuery, Problem> {
        let month = |name: &str, text: &Option<String>| {
            text.as_deref().map(Month::parse).transpose().map_err(|error| {
                let words = format!("{error}; a month is written 2026-05");
                Problem::invalid_parameter(name, words)
            })
        };
        let mut by = BooksBy::default();
        for word in self.by.iter().flat_map(|words| words.split(',')) {
            match word {
                "day" => by.day = true,
                "month" => by.month = true,
                "channel" => by.channel = true,
                _ => return Err(Problem::invalid_parameter("by", "books go by day, month and channel")),
            }
        }
        Ok(BooksQuery { from: month("from", &self.from)?, to: month("to", &self.to)?, by })
    }
}

/// Part of the books.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BooksShown {
    rows: Vec<BooksRowShown>,
}

/// A row with the columns of `fleecefold books`; what is not grouped by is left out.
#[derive(Debug, Serialize, ToSchema)]
pub(crate) struct BooksRowShown {
    #[serde(skip_serializing_if = "Option::is_none")]
    day: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    month: Option<String>,
    #[serde(skip_serializing_if = "Option::is_none")]
    channel: Option<String>,
    /// Sales that are not voided.
    sales: String,
    /// Units sold less units refunded; a line by weight is one.
    units: String,
    /// Weight of goods sold by weight.
    ounces: String,
    gross: String,
    discounts: String,
    refunds: String,
    /// Gross − discounts − refunds.
    net: String,
    shipping: String,
    tax: String,
    fees: String,
    postage: String,
    cost: String,
    /// Net − cost − fees − postage.
    margin: String,
    /// Units without a known cost.
    uncosted: String,
    /// What cash rounding added, or took if below 0.
    rounding: String,
}

impl BooksRowShown {
    fn read(row: &BooksRow) -> Result<Self, Problem> {
        let figures = &row.figures;
        let too_large = |error| {
            Problem::new(crate::problem::Kind::StorageError, "the books' sums are too large").because(&error)
        };
        Ok(Self {
            day: row.day.map(|d| d.to_string()),
            month: row.month.map(|m| m.to_string()),
            channel: row.channel.as_ref().map(ToString::to_string),
            sales: figures.sales.to_string(),
            units: figures.units.to_string(),
            ounces: figures.ounces().to_string(),
            gross: figures.gross.to_string(),
            discounts: figures.discounts.to_string(),
            refunds: figures.refunds.to_string(),
            net: figures.net().map_err(too_large)?.to_string(),
            shipping: figures.shipping.to_string(),
            tax: figures.tax.to_string(),
            fees: figures.fees.to_string(),
            postage: figures.postage.to_string(),
            cost: figures.cost.to_string(),
            margin: figures.margin().map_err(too_large)?.to_string(),
            uncosted: figures.uncosted.to_string(),
            rounding: figures.rounding.to_string(),
        })
    }
}

/// Sales by day, month and channel, in the shop's time zone.
#[utoipa::path(get, path = "/api/books", tag = "books", params(BooksParams),
    responses((status = 200, description = "The rows.", body = BooksShown), ReadProblems))]
pub(crate) async fn read_books(
    State(app): State<App>,
    QueryParam(asked): QueryParam<BooksParams>,
) -> Result<Json<BooksShown>, Problem> {
    let rows = app.ledger.books(&asked.read()?).await?;
    Ok(Json(BooksShown { rows: rows.iter().map(BooksRowShown::read).collect::<Result<_, _>>()? }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    #[tokio::test]
    async fn months_by_channel_have_the_columns_of_the_command_line() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let roving = json!({"channel": "market", "tenders": [{"kind": "cash", "amount": "10.00"}],
            "lines": [{"sku": "ROVING", "quantity": "3.5", "unitCode": "ONZ", "discount": "0.38", "tax": "0.50"}]});
        assert_eq!(shop.post("/api/sales", "k2", roving).await.status, 201);
        let books = shop.get("/api/books?by=month,channel").await;
        // The columns have a fixed order.
        let columns = "month,channel,sales,units,ounces,gross,discounts,refunds,net,shipping,tax,fees,postage,cost,\
            margin,uncosted,rounding";
        assert_eq!(books.names_in_order("month"), columns.split(',').collect::<Vec<_>>());
        // 3.5 oz × 2.25 = 7.875, half away from zero 7.88; less 0.38 is 7.50; tax is separate.
        let expected = json!([
            {"month": "2026-05", "channel": "market", "sales": "1", "units": "1", "ounces": "3.50", "gross": "7.88",
             "discounts": "0.38", "refunds": "0.00", "net": "7.50", "shipping": "0.00", "tax": "0.50", "fees": "0.00",
             "postage": "0.00", "cost": "0.00", "margin": "7.50", "uncosted": "1", "rounding": "0.00"},
            {"month": "2026-05", "channel": "store", "sales": "1", "units": "1", "ounces": "0.00", "gross": "48.00",
             "discounts": "0.00", "refunds": "0.00", "net": "48.00", "shipping": "0.00", "tax": "0.00", "fees": "0.00",
             "postage": "0.00", "cost": "12.50", "margin": "35.50", "uncosted": "0", "rounding": "0.00"},
        ]);
        assert_eq!(books.json()["rows"], expected);
    }

    #[tokio::test]
    async fn groups_and_months_are_chosen() {
        let shop = TestShop::open().await;
        shop.sell("COWL", "k1").await;
        let check = |query: &'static str, rows: usize, columns: usize| {
            let shop = &shop;
            async move {
                let reply = shop.get(&format!("/api/books{query}")).await.json();
                let found = reply["rows"].as_array().expect("rows").clone();
                assert_eq!(found.len(), rows, "{query}");
                assert!(found.iter().all(|r| r.as_object().is_some_and(|r| r.len() == columns)), "{query}");
            }
        };
        check("", 1, 15).await;
        check("?by=channel", 1, 16).await;
        check("?by=day,month,channel", 1, 18).await;
        check("?by=month&from=2026-05&to=2026-05", 1, 16).await;
        check("?by=month&from=2026-06", 0, 16).await;
        check("?by=month&to=2026-04", 0, 16).await;
        for query in
            ["by=", "by=day,,month", "by=year", "from=2026", "from=2026-13", "to=may", "until=2026-05"]
        {
            shop.get(&format!("/api/books?{query}")).await.expect_problem("invalid", 422);
        }
    }
}
