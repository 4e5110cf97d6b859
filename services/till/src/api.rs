//! The endpoints, one file for each; a file stands where its route does.

pub(crate) mod books;
pub(crate) mod connections;
pub(crate) mod feeds;
pub(crate) mod holds;
pub(crate) mod items;
pub(crate) mod limits;
pub(crate) mod listings;
#[cfg(test)]
mod objects;
pub(crate) mod openapi;
pub(crate) mod orders;
pub(crate) mod owed;
pub(crate) mod receipts;
mod refined;
pub(crate) mod refund_lines;
pub(crate) mod sales;
pub(crate) mod shelf;
pub(crate) mod shop;
pub(crate) mod styles;

use crate::caller::Needs;
use crate::routes::Route;
use domain::people::Act;

/// Every route below `/api`.
pub(crate) fn routes(with_desk: bool) -> Vec<Route> {
    let mut routes = vec![
        Route::get("/api/openapi.json", Needs::Nobody, openapi::read_description),
        Route::get("/api/shop", Needs::One(Act::Look), shop::read_shop),
        Route::get("/api/items", Needs::One(Act::Look), items::get::list_items),
        Route::post("/api/items", Needs::One(Act::Make), items::post::add_items),
        Route::get("/api/items/{code}", Needs::One(Act::Look), items::by_code::get::read_item),
        Route::patch("/api/items/{code}", Needs::One(Act::Make), items::by_code::patch::edit_item),
        Route::post("/api/items/{code}/stock", Needs::One(Act::Count), items::by_code::stock::adjust_stock),
        Route::get("/api/items/{code}/moves", Needs::One(Act::Look), items::by_code::moves::list_moves),
        Route::get("/api/styles", Needs::One(Act::Look), styles::get::list_styles),
        Route::post("/api/styles", Needs::One(Act::Price), styles::post::add_styles),
        Route::get("/api/holds", Needs::One(Act::Look), holds::get::list_holds),
        Route::post("/api/holds", Needs::One(Act::Sell), holds::post::hold),
        Route::delete("/api/holds/{id}", Needs::One(Act::Sell), holds::delete::end_hold),
        Route::get("/api/sales", Needs::One(Act::Sell), sales::get::list_sales),
        Route::post("/api/sales", Needs::One(Act::Sell), sales::post::ring_up),
        Route::get("/api/sales/{id}", Needs::One(Act::Sell), sales::by_id::get::read_sale),
        Route::post("/api/sales/{id}/refunds", Needs::One(Act::GiveBack), sales::by_id::refunds::refund),
        Route::post("/api/sales/{id}/void", Needs::One(Act::GiveBack), sales::by_id::void::void_sale),
        Route::get("/api/receipts/{number}", Needs::One(Act::Sell), receipts::read_receipt),
        Route::post("/api/refund-lines/{id}/fate", Needs::One(Act::GiveBack), refund_lines::decide_fate),
        Route::post("/api/owed/{tender}/payments", Needs::One(Act::Sell), owed::pay),
        Route::get("/api/shelf", Needs::One(Act::Look), shelf::read_shelf),
        Route::get("/api/books", Needs::One(Act::ReadBooks), books::read_books),
        Route::get("/api/listings", Needs::One(Act::List), listings::list_listings),
        Route::get("/api/connections", Needs::One(Act::List), connections::list_connections),
        Route::get("/api/orders", Needs::One(Act::List), orders::list_orders),
        Route::post("/api/orders/{id}/status", Needs::One(Act::List), orders::status::set_status),
        Route::get(
            "/api/orders/{id}/lines/{line}/closest",
            Needs::One(Act::List),
            orders::lines::closest::list_closest,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/substitute",
            Needs::One(Act::List),
            orders::lines::substitute::substitute_line,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/refund",
            Needs::One(Act::List),
            orders::lines::refund::refund_line,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/fill",
            Needs::One(Act::List),
            orders::lines::fill::fill_line,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/release",
            Needs::One(Act::List),
            orders::lines::release::release_line,
        ),
        Route::get("/api/limits", Needs::One(Act::Run), limits::get::read_limits),
        Route::patch("/api/limits/roles/{role}", Needs::One(Act::Run), limits::roles::set_limits),
        Route::patch("/api/limits/tokens/{name}", Needs::One(Act::Run), limits::tokens::set_token_limits),
        Route::get("/api/feeds", Needs::One(Act::List), feeds::get::list_runs),
    ];
    if with_desk {
        routes.push(Route::post(feeds::orders::PATH, Needs::One(Act::List), feeds::orders::take_orders));
    }
    routes
}
