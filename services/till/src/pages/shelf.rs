//! The room Shelf: all stock as tags, stock by style, holds, an item's page with everything that can be done
//! with it, new rates with every price that they change, and counts.

mod find;
mod hold_end;
mod holds;
mod item;
mod item_count;
mod item_edit;
mod item_hold;
mod item_loss;
mod item_photographs;
mod item_removal;
mod pick;
mod read;
mod reprice;
mod returned;
mod stock_count;
mod stock_count_differences;
mod stock_count_end;
mod stock_count_scan;
mod stock_counts;
mod style;
mod style_new;
mod style_text;
mod styles;
pub(crate) mod tag;
mod tags;

use crate::problem::Problem;
use crate::request::caller::{Access, Caller};
use crate::request::query::Named;
use crate::request::route::Route;
use domain::ids::{StockCountId, StyleId};
use domain::people::Permission;

pub(crate) fn routes() -> Vec<Route> {
    let (look, sell, count) =
        (Access::With(Permission::Look), Access::With(Permission::Sell), Access::With(Permission::Count));
    let (make, price) = (Access::With(Permission::Make), Access::With(Permission::Price));
    let give_back = Access::With(Permission::GiveBack);
    vec![
        Route::get("/shelf", look, find::room),
        Route::post("/shelf/pick", make, pick::pick),
        Route::get("/shelf/items/{code}", look, item::read_item),
        Route::post("/shelf/items/{code}/hold", sell, item_hold::hold),
        Route::post("/shelf/items/{code}/count", count, item_count::count),
        Route::post("/shelf/items/{code}/loss", count, item_loss::lose),
        Route::post("/shelf/items/{code}/removal", count, item_removal::remove),
        Route::get("/shelf/items/{code}/edit", make, item_edit::read_form),
        Route::post("/shelf/items/{code}/edit", make, item_edit::edit),
        Route::get("/shelf/items/{code}/price", make, item_edit::read_price),
        Route::get("/shelf/items/{code}/photographs", make, item_photographs::read_photographs),
        Route::post("/shelf/items/{code}/photographs", make, item_photographs::change),
        Route::get("/shelf/holds", look, holds::list_holds),
        Route::post("/shelf/holds/{id}/end", sell, hold_end::end_hold),
        Route::get("/shelf/tags", make, tags::list_tags),
        Route::get("/shelf/returned", give_back, returned::list_returned),
        Route::post("/shelf/returned/{line}", give_back, returned::decide),
        Route::get("/shelf/styles", look, styles::list_styles),
        Route::get("/shelf/styles/new", price, style_new::read_form),
        Route::post("/shelf/styles/new", price, style_new::add),
        Route::post("/shelf/styles/for-piece", price, style_new::begin_for_piece),
        Route::get("/shelf/styles/prices", price, style_new::read_prices),
        Route::get("/shelf/styles/{id}", look, style::read_style),
        Route::get("/shelf/styles/{id}/text", price, style_text::read_text),
        Route::post("/shelf/styles/{id}/text", price, style_text::edit_text),
        Route::get("/shelf/styles/{id}/price", price, reprice::preview),
        Route::post("/shelf/styles/{id}/price", price, reprice::reprice),
        Route::get("/shelf/counts", count, stock_counts::list_stock_counts),
        Route::post("/shelf/counts", count, stock_counts::begin),
        Route::get("/shelf/counts/{id}", count, stock_count::read_stock_count),
        Route::post("/shelf/counts/{id}/scan", count, stock_count_scan::scan),
        Route::get("/shelf/counts/{id}/differences", count, stock_count_differences::read_differences),
        Route::post("/shelf/counts/{id}/end", count, stock_count_end::end),
    ]
}

impl Named for StyleId {
    fn named(text: &str) -> Result<Self, Problem> {
        text.parse().map_err(|_| crate::request::query::no_such("style", text))
    }
}

impl Named for StockCountId {
    fn named(text: &str) -> Result<Self, Problem> {
        text.parse().map_err(|_| crate::request::query::no_such("stock count", text))
    }
}

/// A link at the head of each page of the room.
#[derive(Clone, Debug)]
pub(crate) struct Way {
    pub(crate) name: &'static str,
    pub(crate) path: &'static str,
    pub(crate) is_here: bool,
}

/// The links for a caller, by their permissions.
pub(crate) fn ways(caller: &Caller, here: &str) -> Vec<Way> {
    let all = [
        ("All stock", "/shelf", Permission::Look),
        ("By style", "/shelf/styles", Permission::Look),
        ("On hold", "/shelf/holds", Permission::Look),
        ("Returns", "/shelf/returned", Permission::GiveBack),
        ("Tags", "/shelf/tags", Permission::Make),
        ("Stock count", "/shelf/counts", Permission::Count),
    ];
    let may = all.into_iter().filter(|(_, _, permission)| caller.may(*permission));
    may.map(|(name, path, _)| Way { name, path, is_here: path == here }).collect()
}
