//! GET /shelf/styles/{id}: one style's stock by size and color.

use super::{Way, ways};
use crate::app::App;
use crate::pages::face::{Stripe, stripes};
use crate::pages::frame::{Frame, HtmlPage, Room};
use crate::pages::shown;
use crate::problem::Problem;
use crate::request::caller::Caller;
use crate::request::query::{PathParam, QueryParam};
use askama::Template;
use axum::extract::State;
use domain::ids::StyleId;
use domain::people::Permission;
use domain::text::fold;
use ledger::shelf::{ShelfRow, StyleView};
use rust_decimal::Decimal;
use serde::Deserialize;

/// What was done just before, for a message.
#[derive(Debug, Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub(crate) struct StyleQuery {
    /// How many prices a new rate changed.
    changed: Option<usize>,
}

struct ColorLine {
    words: String,
    stripes: Vec<Stripe>,
    cells: Vec<Option<Cell>>,
    all: String,
}

/// The stock of a color in a size.
struct Cell {
    on_hand: String,
    held: Option<String>,
    sold: Option<String>,
    is_out: bool,
    /// The address of the list of these items.
    path: String,
}

/// The sums of a color and size; a style may have both pieces and counted goods in it.
fn cell(style: StyleId, rows: &[&ShelfRow]) -> Option<Cell> {
    let first = rows.first()?;
    let sum = |of: fn(&ShelfRow) -> Decimal| rows.iter().map(|row| of(row)).sum::<Decimal>();
    let (on_hand, held, sold) = (sum(|r| r.on_hand), sum(|r| r.held), sum(|r| r.sold));
    let query = form_urlencoded::Serializer::new(String::new())
        .append_pair("style", &style.to_string())
        .append_pair("size", &first.size)
        .append_pair("color", &first.color.replace('|', " "))
        .append_pair("state", if on_hand.is_zero() { "all" } else { "" })
        .finish();
    let shown = |amount: Decimal| amount.normalize().to_string();
    Some(Cell {
        on_hand: shown(on_hand),
        held: Some(held).filter(|h| !h.is_zero()).map(shown),
        sold: Some(sold).filter(|s| !s.is_zero()).map(shown),
        is_out: on_hand.is_zero(),
        path: format!("/shelf?{query}"),
    })
}

/// The style's sizes in its own order, then sizes that only its items have.
fn sizes(style: &StyleView, grid: &[ShelfRow]) -> Vec<String> {
    let mut sizes: Vec<String> = Vec::new();
    for size in style.sizes.iter().chain(grid.iter().map(|row| &row.size)) {
        let is_used = grid.iter().any(|row| fold(&row.size) == fold(size));
        if is_used && !sizes.iter().any(|known| fold(known) == fold(size)) {
            sizes.push(size.clone());
        }
    }
    sizes
}

fn lines(style: &StyleView, grid: &[ShelfRow], sizes: &[String]) -> Vec<ColorLine> {
    let mut colors: Vec<&str> = grid.iter().map(|row| row.color.as_str()).collect();
    colors.dedup_by_key(|color| fold(color));
    let line = |color: &str| {
        let own: Vec<&ShelfRow> = grid.iter().filter(|row| fold(&row.color) == fold(color)).collect();
        let of_size = |size: &String| {
            let rows: Vec<&ShelfRow> = own.iter().copied().filter(|r| fold(&r.size) == fold(size)).collect();
            cell(style.id, &rows)
        };
        let all: Decimal = own.iter().map(|row| row.on_hand).sum();
        ColorLine {
            words: if color.is_empty() { "No color".to_owned() } else { domain::color::shown(color) },
            stripes: stripes(color),
            cells: sizes.iter().map(of_size).collect(),
            all: all.normalize().to_string(),
        }
    };
    colors.into_iter().map(line).collect()
}

#[derive(Template)]
#[template(path = "shelf/style.html")]
pub(crate) struct Page {
    frame: Frame,
    ways: Vec<Way>,
    style: StyleView,
    path: String,
    rate: String,
    ending: String,
    minimum: Option<String>,
    sizes: Vec<String>,
    lines: Vec<ColorLine>,
    changed: Option<usize>,
    may_price: bool,
    may_make: bool,
}

/// GET /shelf/styles/{id}
pub(crate) async fn read_style(
    State(app): State<App>,
    caller: Caller,
    PathParam(id): PathParam<StyleId>,
    QueryParam(query): QueryParam<StyleQuery>,
) -> Result<HtmlPage<Page>, Problem> {
    let style = app.ledger.style(id).await?;
    let grid = app.ledger.style_grid(id).await?;
    let sizes = sizes(&style, &grid);
    Ok(HtmlPage(Page {
        frame: Frame::new(&app, &caller, Room::Shelf),
        ways: ways(&caller, ""),
        path: format!("/shelf/styles/{id}"),
        rate: style.rule.rate.words(app.ledger.shop().currency),
        ending: style.rule.ending.words(app.ledger.shop().currency),
        minimum: style.rule.minimum.map(shown::money),
        lines: lines(&style, &grid, &sizes),
        sizes,
        style,
        changed: query.changed,
        may_price: caller.may(Permission::Price),
        may_make: caller.may(Permission::Make),
    }))
}

#[cfg(test)]
pub(crate) mod tests {
    use crate::testing::TestShop;
    use serde_json::json;

    /// The address of the test shop's one style.
    pub(crate) async fn path(shop: &TestShop) -> String {
        let styles = shop.ledger().styles().await.expect("styles");
        format!("/shelf/styles/{}", styles[0].id)
    }

    #[tokio::test]
    async fn a_style_is_laid_out_by_size_and_color() {
        let shop = TestShop::open().await;
        for (sku, size, color) in [("COWL", "L", "fawn|moss"), ("HAT", "S", "fawn|moss")] {
            let edit = json!({"size": size, "color": color});
            let reply = shop.patch(&format!("/api/items/{sku}"), sku, &[("if-match", "*")], edit).await;
            assert_eq!(reply.status, 200, "{}", reply.text());
        }
        shop.sell("COWL", "k").await;
        let path = path(&shop).await;
        let page = shop.get(&path).await;
        assert_eq!(page.status, 200, "{}", page.text());
        for words in [
            "<th scope=\"col\" class=\"figure\">L</th>",
            "fawn, moss",
            "1 sold",
            "size=S&amp;color=fawn+moss",
        ] {
            assert!(
                page.text().contains(words) || page.text().contains(&words.replace("&amp;", "&#38;")),
                "{words} in {}",
                page.text()
            );
        }
        assert_eq!(shop.get("/shelf/styles/7").await.status, 404);
        assert_eq!(shop.get("/shelf/styles/moor").await.status, 404);
    }
}
