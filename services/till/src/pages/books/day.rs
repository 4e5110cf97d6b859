//! GET /books/day/2026-05-17: a day's totals by channel, its sales and its refunds.

use super::other_income::OtherIncome;
use super::table::{HEADINGS, Line, lines};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown::{channel_name, void_words};
use crate::pages::takings::TakingsTable;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use domain::day::{Day, Moment};
use domain::ids::SaleId;
use ledger::Shop;
use ledger::sales::{DayCursor, DayRefund, DaySale, TakingsOf};
use serde::Deserialize;

/// Sales per page: more than most days have, and few enough to read on a phone; the next ones are a link away.
const SALES: usize = 100;
/// Refunds that are shown: more than a farm's shop has in a year.
const REFUNDS: usize = 200;
/// How many titles describe a sale.
const TITLES: usize = 3;

/// Where the list continues: `MOMENT-SALE` of the last sale on the previous page.
#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct DayQuery {
    after: Option<String>,
}

impl DayQuery {
    fn read(&self) -> Result<Option<DayCursor>, Problem> {
        let Some(text) = &self.after else { return Ok(None) };
        let parts = text
            .split_once('-')
            .and_then(|(at, id)| Some((Moment::from_millis(at.parse().ok()?), id.parse::<SaleId>().ok()?)));
        let wrong =
            || Problem::invalid_parameter("after", "this page link is out of date; open the day again");
        parts.ok_or_else(wrong).map(Some)
    }
}

#[derive(Debug)]
pub(crate) struct SaleShown {
    id: SaleId,
    time: String,
    name: String,
    channel: String,
    what: String,
    paid: String,
    /// Who voided it, when and why.
    voided: Option<String>,
}

#[derive(Debug)]
pub(crate) struct RefundShown {
    time: String,
    sale: SaleId,
    name: String,
    channel: String,
    given: String,
    reason: String,
}

#[derive(Template)]
#[template(path = "books/day.html")]
pub(crate) struct Page {
    frame: Frame,
    day: Day,
    columns: [&'static str; 15],
    lines: Vec<Line>,
    sales: Vec<SaleShown>,
    is_first: bool,
    next: Option<String>,
    refunds: Vec<RefundShown>,
    takings: TakingsTable,
    other_income: OtherIncome,
}

/// A sale's name: its receipt, its order, or “history”.
pub(super) fn sale_name(receipt: Option<i64>, order: Option<&str>) -> String {
    match (receipt, order) {
        (Some(receipt), Some(order)) => format!("Receipt {receipt}, order {order}"),
        (Some(receipt), None) => format!("Receipt {receipt}"),
        (None, Some(order)) => format!("Order {order}"),
        (None, None) => "Past sale".to_owned(),
    }
}

fn what(titles: &[String]) -> String {
    let told = titles.iter().take(TITLES).map(String::as_str).collect::<Vec<_>>().join(", ");
    match titles.len().saturating_sub(TITLES) {
        0 => told,
        more => format!("{told} and {more} more"),
    }
}

fn sale_shown(shop: &Shop, sale: &DaySale) -> SaleShown {
    SaleShown {
        id: sale.id,
        time: shop.zone.clock(sale.at),
        name: sale_name(sale.receipt, sale.order.as_deref()),
        channel: channel_name(shop, &sale.channel),
        what: what(&sale.titles),
        paid: sale.paid.shown(),
        voided: sale.voided.as_ref().map(|voided| void_words(shop, voided)),
    }
}

fn refund_shown(shop: &Shop, refund: DayRefund) -> RefundShown {
    RefundShown {
        time: shop.zone.clock(refund.at),
        sale: refund.sale,
        name: sale_name(refund.receipt, None),
        channel: channel_name(shop, &refund.channel),
        given: refund.given.shown(),
        reason: refund.reason,
    }
}

/// GET /books/day/{day}
pub(crate) async fn page(
    State(app): State<App>,
    caller: Caller,
    PathParam(day): PathParam<Day>,
    QueryParam(asked): QueryParam<DayQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    Ok(HtmlPage(read(&app, &caller, day, asked.read()?).await?))
}

async fn read(app: &App, caller: &Caller, day: Day, after: Option<DayCursor>) -> Result<Page, Problem> {
    let shop = app.ledger.refresh_shop().await?;
    let figures = app.ledger.day_figures(day).await?.into_iter().collect();
    let mut sales = app.ledger.day_sales(day, after, SALES + 1).await?;
    let more = sales.len() > SALES;
    sales.truncate(SALES);
    let next = sales.last().filter(|_| more).map(|s| format!("{}-{}", s.at.millis(), s.id));
    let refunds = app.ledger.day_refunds(day, REFUNDS).await?;
    Ok(Page {
        frame: Frame::new(app, caller, Room::Books),
        day,
        takings: TakingsTable::read(app, TakingsOf::Day(day)).await?,
        other_income: OtherIncome::read(app, (shop.zone.start_of(day), shop.zone.start_of(day.plus_days(1))))
            .await?,
        columns: HEADINGS,
        lines: lines(&shop, &figures, "Total")?,
        sales: sales.iter().map(|sale| sale_shown(&shop, sale)).collect(),
        is_first: after.is_none(),
        next,
        refunds: refunds.into_iter().map(|refund| refund_shown(&shop, refund)).collect(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;
    use serde_json::json;

    #[test]
    fn a_sale_is_told_in_a_few_words() {
        let titles = |n: usize| (0..n).map(|i| format!("t{i}")).collect::<Vec<_>>();
        assert_eq!(what(&titles(2)), "t0, t1");
        assert_eq!(what(&titles(3)), "t0, t1, t2");
        assert_eq!(what(&titles(5)), "t0, t1, t2 and 2 more");
        assert_eq!(sale_name(None, Some("H-1")), "Order H-1");
        assert_eq!(sale_name(None, None), "Past sale");
    }

    #[tokio::test]
    async fn a_day_has_its_totals_its_sales_and_its_refunds() {
        let shop = TestShop::open().await;
        let cowl = shop.sell("COWL", "k1").await;
        let hat = shop.sell("HAT", "k2").await;
        let id = |sale: &serde_json::Value| sale["id"].as_str().expect("an id").to_owned();
        let void = shop.post(&format!("/api/sales/{}/void", id(&hat)), "k3", json!({"reason": "slip"})).await;
        assert!(void.status < 300, "{}", void.text());
        let back = json!({"tender": "cash", "reason": "did not fit", "fate": "shelf"});
        let refund = shop.post(&format!("/api/sales/{}/refunds", id(&cowl)), "k4", back).await;
        assert!(refund.status < 300, "{}", refund.text());
        let reply = shop.get("/books/day/2026-05-17").await;
        let page = crate::pages::books::table::without_labels(reply.text());
        for part in [
            "<h1>Sunday, May 17, 2026</h1>",
            "href=\"/books/day/2026-05-16\"",
            "href=\"/books/day/2026-05-18\"",
            "<th scope=\"row\">Farm store</th><td class=\"figure\">1</td><td class=\"figure\">0</td>",
            "Receipt 1",
            "Moor cowl, small",
            "Voided by api on May 17, 2026, 12:00 PM: slip",
            "did not fit",
        ] {
            assert!(page.contains(part), "{part} in {page}");
        }
        let link = format!("<a href=\"/books/sale/{}\">", id(&cowl));
        assert_eq!(page.matches(&link).count(), 2, "as a sale and as a refund: {page}");
        assert!(shop.get("/books/day/2026-05-19").await.text().contains("No sales"));
        for path in ["/books/day/2026-02-30", "/books/day/today", "/books/day/2026-05-17?after=x"] {
            assert_eq!(shop.get(path).await.status, 422, "{path}");
        }
    }
}
