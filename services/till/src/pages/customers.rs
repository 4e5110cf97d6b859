//! The room Customers: who they are, what they bought, owe and have on hold; giving out and erasing what is kept
//! about one of them.

mod erase;
mod export;
pub(crate) mod fields;
mod one;
mod room;
#[cfg(test)]
mod tests;

use crate::request::caller::Access;
use crate::request::route::Route;
use domain::people::Permission;

pub(crate) fn routes() -> Vec<Route> {
    let find = Access::With(Permission::Customers);
    let privacy = Access::With(Permission::Privacy);
    vec![
        Route::get("/customers", find, room::room),
        Route::post("/customers", find, room::add),
        Route::get("/customers/{id}", find, one::page),
        Route::post("/customers/{id}", find, one::edit),
        Route::post("/customers/{id}/terms", Access::With(Permission::SetTerms), one::set_terms),
        Route::post("/customers/{id}/export", privacy, export::download),
        Route::get("/customers/{id}/erase", privacy, erase::page),
        Route::post("/customers/{id}/erase", privacy, erase::erase),
    ]
}
