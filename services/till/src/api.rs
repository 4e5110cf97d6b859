//! The API's endpoints, one file each, in the folders of their routes.

mod answer;
pub(crate) mod balances;
pub(crate) mod books;
pub(crate) mod certificates;
pub(crate) mod connections;
pub(crate) mod custom_orders;
pub(crate) mod customers;
pub(crate) mod deposits;
mod etag;
pub(crate) mod feeds;
pub(crate) mod holds;
pub(crate) mod items;
pub(crate) mod limits;
pub(crate) mod listings;
#[cfg(test)]
mod objects;
pub(crate) mod openapi;
pub(crate) mod orders;
pub(crate) mod receipts;
mod refined;
pub(crate) mod refund_lines;
pub(crate) mod sales;
pub(crate) mod shelf;
pub(crate) mod shop;
mod shown;
pub(crate) mod styles;
mod takings;

use crate::request::caller::Access;
use crate::request::route::Route;
use domain::people::Permission;

/// Every route below `/api`.
pub(crate) fn routes(with_feed_adapter: bool) -> Vec<Route> {
    let mut routes = vec![
        Route::get("/api/openapi.json", Access::Public, openapi::read_description),
        Route::get("/api/shop", Access::With(Permission::Look), shop::read_shop),
        Route::get("/api/items", Access::With(Permission::Look), items::get::list_items),
        Route::post("/api/items", Access::With(Permission::Make), items::post::add_items),
        Route::get("/api/items/{code}", Access::With(Permission::Look), items::by_code::get::read_item),
        Route::patch("/api/items/{code}", Access::With(Permission::Make), items::by_code::patch::edit_item),
        Route::post(
            "/api/items/{code}/stock",
            Access::With(Permission::Count),
            items::by_code::stock::adjust_stock,
        ),
        Route::post(
            "/api/items/{code}/removal",
            Access::With(Permission::Count),
            items::by_code::removal::remove_piece,
        ),
        Route::get(
            "/api/items/{code}/moves",
            Access::With(Permission::Look),
            items::by_code::moves::list_moves,
        ),
        Route::get("/api/styles", Access::With(Permission::Look), styles::get::list_styles),
        Route::post("/api/styles", Access::With(Permission::Price), styles::post::add_styles),
        Route::get("/api/holds", Access::With(Permission::Look), holds::get::list_holds),
        Route::post("/api/holds", Access::With(Permission::Sell), holds::post::hold),
        Route::delete("/api/holds/{id}", Access::With(Permission::Sell), holds::delete::end_hold),
        Route::get("/api/shelf", Access::With(Permission::Look), shelf::read_shelf),
        Route::get("/api/books", Access::With(Permission::ReadBooks), books::read_books),
        Route::get("/api/books/tenders", Access::With(Permission::ReadBooks), takings::read_takings),
        Route::get("/api/listings", Access::With(Permission::List), listings::list_listings),
        Route::get("/api/connections", Access::With(Permission::List), connections::list_connections),
        Route::get("/api/orders", Access::With(Permission::List), orders::list_orders),
        Route::post("/api/orders/{id}/status", Access::With(Permission::List), orders::status::set_status),
        Route::get(
            "/api/orders/{id}/lines/{line}/closest",
            Access::With(Permission::List),
            orders::lines::closest::list_closest,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/substitute",
            Access::With(Permission::List),
            orders::lines::substitute::substitute_line,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/refund",
            Access::With(Permission::List),
            orders::lines::refund::refund_line,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/fill",
            Access::With(Permission::List),
            orders::lines::fill::fill_line,
        ),
        Route::post(
            "/api/orders/{id}/lines/{line}/release",
            Access::With(Permission::List),
            orders::lines::release::release_line,
        ),
        Route::get("/api/limits", Access::With(Permission::Run), limits::get::read_limits),
        Route::patch("/api/limits/roles/{role}", Access::With(Permission::Run), limits::roles::set_limits),
        Route::patch(
            "/api/limits/tokens/{name}",
            Access::With(Permission::Run),
            limits::tokens::set_token_limits,
        ),
        Route::get("/api/feeds", Access::With(Permission::List), feeds::get::list_runs),
    ];
    routes.extend(of_sales());
    routes.extend(of_customers());
    routes.extend(of_promises());
    if with_feed_adapter {
        routes.push(Route::post(
            feeds::orders::PATH,
            Access::With(Permission::List),
            feeds::orders::take_orders,
        ));
    }
    routes
}

fn of_sales() -> Vec<Route> {
    vec![
        Route::get("/api/sales", Access::With(Permission::Sell), sales::get::list_sales),
        Route::post("/api/sales", Access::With(Permission::Sell), sales::post::ring_up),
        Route::get("/api/sales/{id}", Access::With(Permission::Sell), sales::by_id::get::read_sale),
        Route::post(
            "/api/sales/{id}/refunds",
            Access::With(Permission::GiveBack),
            sales::by_id::refunds::refund,
        ),
        Route::post(
            "/api/sales/{id}/exchanges",
            Access::With(Permission::GiveBack),
            sales::by_id::exchanges::exchange,
        ),
        Route::post(
            "/api/sales/{id}/void",
            Access::With(Permission::GiveBack),
            sales::by_id::void::void_sale,
        ),
        Route::get("/api/receipts/{number}", Access::With(Permission::Sell), receipts::read_receipt),
        Route::post(
            "/api/refund-lines/{id}/fate",
            Access::With(Permission::GiveBack),
            refund_lines::decide_fate,
        ),
        Route::post("/api/balances/{tender}/payments", Access::With(Permission::Sell), balances::pay),
        Route::get("/api/certificates", Access::With(Permission::Sell), certificates::get::list_certificates),
        Route::post("/api/certificates", Access::With(Permission::Run), certificates::post::bring_in),
        Route::get(
            "/api/certificates/{id}",
            Access::With(Permission::Sell),
            certificates::by_id::get::read_certificate,
        ),
    ]
}

fn of_promises() -> Vec<Route> {
    let sell = Access::With(Permission::Sell);
    vec![
        Route::get("/api/custom-orders", sell, custom_orders::get::list_custom_orders),
        Route::post(
            "/api/custom-orders",
            Access::With(Permission::Customers),
            custom_orders::post::take_custom_order,
        ),
        Route::get("/api/custom-orders/{id}", sell, custom_orders::by_id::get::read_custom_order),
        Route::post(
            "/api/custom-orders/{id}/cancel",
            sell,
            custom_orders::by_id::cancel::cancel_custom_order,
        ),
        Route::get("/api/deposits", sell, deposits::get::list_deposits),
        Route::get("/api/deposits/{id}", sell, deposits::by_id::get::read_deposit),
        Route::post(
            "/api/deposits/{id}/forfeit",
            Access::With(Permission::Run),
            deposits::by_id::forfeit::forfeit_deposit,
        ),
    ]
}

fn of_customers() -> Vec<Route> {
    vec![
        Route::get("/api/customers", Access::With(Permission::Customers), customers::get::list_customers),
        Route::post("/api/customers", Access::With(Permission::Customers), customers::post::add_customer),
        Route::get(
            "/api/customers/{id}",
            Access::With(Permission::Customers),
            customers::by_id::get::read_customer,
        ),
        Route::patch(
            "/api/customers/{id}",
            Access::With(Permission::Customers),
            customers::by_id::patch::edit_customer,
        ),
        Route::delete(
            "/api/customers/{id}",
            Access::With(Permission::Privacy),
            customers::by_id::delete::erase_customer,
        ),
        Route::patch(
            "/api/customers/{id}/terms",
            Access::With(Permission::SetTerms),
            customers::by_id::terms::set_terms,
        ),
        Route::post(
            "/api/customers/{id}/export",
            Access::With(Permission::Privacy),
            customers::by_id::export::export_customer,
        ),
    ]
}
