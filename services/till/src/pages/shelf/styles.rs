//! GET /shelf/styles: the stock of each style.

use super::{Way, ways};
use crate::app::App;
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use askama::Template;
use axum::extract::State;
use domain::money::{Currency, Money};
use domain::people::Permission;
use ledger::shelf::StyleCount;

struct StyleLine {
    name: String,
    path: String,
    units: i64,
    and_more: bool,
    held: i64,
    prices: String,
    rate: String,
}

fn prices((low, high): (Money, Money)) -> String {
    if low == high { shown::money(low) } else { format!("{} to {}", shown::money(low), shown::money(high)) }
}

fn line(count: &StyleCount, currency: Currency) -> StyleLine {
    let of = |style: &ledger::shelf::StyleView| {
        let path = format!("/shelf/styles/{}", style.id);
        (style.name.clone(), path, style.rule.rate.words(currency))
    };
    let none = ("No style".to_owned(), "/shelf?style=none".to_owned(), String::new());
    let (name, path, rate) = count.style.as_ref().map_or(none, of);
    StyleLine {
        name,
        path,
        units: count.units,
        and_more: count.and_more,
        held: count.held,
        prices: count.prices.map(prices).unwrap_or_default(),
        rate,
    }
}

#[derive(Template)]
#[template(path = "shelf/styles.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    lines: Vec<StyleLine>,
    units: i64,
    and_more: bool,
    held: i64,
    may_price: bool,
}

/// GET /shelf/styles
pub(crate) async fn list_styles(State(app): State<App>, caller: Caller) -> Result<HtmlPage<Page>, Problem> {
    let counts = app.ledger.style_counts().await?;
    let currency = app.ledger.shop().currency;
    // Goods without a style get a line only if there are any.
    let lines =
        counts.iter().filter(|c| c.style.is_some() || c.units > 0).map(|c| line(c, currency)).collect();
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, "/shelf/styles"),
        lines,
        may_price: caller.may(Permission::Price),
        units: counts.iter().map(|c| c.units).sum(),
        and_more: counts.iter().any(|c| c.and_more),
        held: counts.iter().map(|c| c.held).sum(),
    }))
}

#[cfg(test)]
mod tests {
    use crate::testing::TestShop;

    #[tokio::test]
    async fn each_style_has_its_line() {
        let shop = TestShop::open().await;
        let page = shop.get("/shelf/styles").await;
        assert_eq!(page.status, 200, "{}", page.text());
        for words in ["Moor cowl", "$42.00 to $48.00", "$7.50 an ounce", "No style", "$2.25 to $18.00"] {
            assert!(page.text().contains(words), "{words} in {}", page.text());
        }
        shop.sell("COWL", "k").await;
        let page = shop.get("/shelf/styles").await;
        assert!(page.text().contains(">$42.00<"), "one price is no range: {}", page.text());
    }
}
