//! The endpoints, one file for each; a file stands where its route does.

pub(crate) mod books;
pub(crate) mod feeds;
pub(crate) mod holds;
pub(crate) mod items;
pub(crate) mod listings;
pub(crate) mod openapi;
pub(crate) mod orders;
pub(crate) mod owed;
pub(crate) mod receipts;
pub(crate) mod refund_lines;
pub(crate) mod sales;
pub(crate) mod shelf;
pub(crate) mod shop;
pub(crate) mod styles;

use crate::routes::Route;

/// Every route below `/api`.
pub(crate) fn routes(with_desk: bool) -> Vec<Route> {
    let mut routes = vec![
        Route::get("/api/openapi.json", openapi::read_description),
        Route::get("/api/shop", shop::read_shop),
        Route::get("/api/items", items::get::list_items),
        Route::post("/api/items", items::post::add_items),
        Route::get("/api/items/{code}", items::by_code::get::read_item),
        Route::patch("/api/items/{code}", items::by_code::patch::edit_item),
        Route::post("/api/items/{code}/stock", items::by_code::stock::adjust_stock),
        Route::get("/api/items/{code}/moves", items::by_code::moves::list_moves),
        Route::get("/api/styles", styles::get::list_styles),
        Route::post("/api/styles", styles::post::add_styles),
        Route::get("/api/holds", holds::get::list_holds),
        Route::post("/api/holds", holds::post::hold),
        Route::delete("/api/holds/{id}", holds::delete::end_hold),
        Route::get("/api/sales", sales::get::list_sales),
        Route::post("/api/sales", sales::post::ring_up),
        Route::get("/api/sales/{id}", sales::by_id::get::read_sale),
        Route::post("/api/sales/{id}/refunds", sales::by_id::refunds::refund),
        Route::post("/api/sales/{id}/void", sales::by_id::void::void_sale),
        Route::get("/api/receipts/{number}", receipts::read_receipt),
        Route::post("/api/refund-lines/{id}/fate", refund_lines::decide_fate),
        Route::post("/api/owed/{tender}/payments", owed::pay),
        Route::get("/api/shelf", shelf::read_shelf),
        Route::get("/api/books", books::read_books),
        Route::get("/api/listings", listings::list_listings),
        Route::get("/api/orders", orders::list_orders),
        Route::get("/api/feeds", feeds::get::list_runs),
    ];
    if with_desk {
        routes.push(Route::post(feeds::orders::PATH, feeds::orders::take_orders));
    }
    routes
}
