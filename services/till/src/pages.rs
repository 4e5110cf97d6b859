//! The pages: each area is a folder with its pages, and a page is a struct beside its template.
//!
//! A handler parses the request, calls one function of the ledger, and answers with an [`HtmlPage`]; a
//! successful form is answered with [`see_other`]. Problems are returned as in the API, and the edge turns them
//! into pages.

pub(crate) mod account;
pub(crate) mod activity;
pub(crate) mod approval;
pub(crate) mod assets;
pub(crate) mod books;
pub(crate) mod confirm;
pub(crate) mod counter;
pub(crate) mod customers;
mod face;
pub(crate) mod form;
pub(crate) mod frame;
pub(crate) mod herd;
pub(crate) mod mask;
pub(crate) mod online;
pub(crate) mod people;
pub(crate) mod pictures;
pub(crate) mod policy;
mod promised;
mod second_step;
pub(crate) mod settings;
pub(crate) mod setup;
pub(crate) mod shelf;
pub(crate) mod shown;
pub(crate) mod sign_in;
mod takings;
pub(crate) mod today;
pub(crate) mod upload;
pub(crate) mod workbench;
pub(crate) mod wrong;

use crate::request::caller::Access;
use crate::request::route::Route;
use domain::people::Permission;

pub use online::connections::FIRST_CONNECTION;

/// Every route of the pages.
pub(crate) fn routes() -> Vec<Route> {
    let mut routes = vec![
        Route::get("/", Access::Public, today::first),
        Route::get(assets::PATH, Access::Public, assets::read),
        Route::get(pictures::PATH, Access::With(Permission::Look), pictures::read),
    ];
    for room in [
        today::routes(),
        workbench::routes(),
        shelf::routes(),
        counter::routes(),
        customers::routes(),
        online::routes(),
        herd::routes(),
        books::routes(),
        settings::routes(),
        sign_in::routes(),
        setup::routes(),
        account::routes(),
        people::routes(),
        activity::routes(),
    ] {
        routes.extend(room);
    }
    routes
}

#[cfg(test)]
mod tests {
    use crate::pages::frame::Room;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn every_room_has_its_link_and_opens() {
        let shop = TestShop::open().await;
        for room in Room::ALL {
            let reply = shop.get(room.path()).await;
            assert_eq!((reply.status, reply.header("content-type")), (200, Some("text/html; charset=utf-8")));
            let page = reply.text();
            for other in Room::ALL {
                let here = if other == room { " aria-current=\"page\"" } else { "" };
                let link = format!("<a href=\"{}\"{here}>", other.path());
                assert!(page.contains(&link), "{link} in {page}");
            }
        }
        let first = shop.get("/").await;
        assert_eq!((first.status, first.header("location")), (303, Some("/today")));
    }

    #[tokio::test]
    async fn what_is_not_there_is_said_on_a_page() {
        let shop = TestShop::open().await;
        let reply = shop.get("/attic").await;
        assert_eq!((reply.status, reply.header("content-type")), (404, Some("text/html; charset=utf-8")));
        assert!(reply.text().contains("There is no page at this address"), "{}", reply.text());
    }

    /// Only what the camera's reader needs, and only where there is a button for it.
    #[tokio::test]
    async fn a_page_with_a_camera_may_compile_its_reader() {
        let shop = TestShop::open().await;
        for (path, has_camera) in [
            ("/counter", true),
            ("/counter/sales", true),
            ("/shelf", true),
            ("/workbench", false),
            ("/books", false),
        ] {
            let reply = shop.get(path).await;
            let policy = reply.header("content-security-policy").expect("a policy");
            assert_eq!(
                policy.contains("script-src 'self' 'wasm-unsafe-eval';"),
                has_camera,
                "{path}: {policy}"
            );
            assert_eq!(reply.text().contains("data-camera"), has_camera, "{path}");
            assert!(!policy.contains("'unsafe-"), "{path}: {policy}");
        }
    }

    // OWASP ASVS 5.0.0, 3.4.3 to 3.4.8 and 14.3.2.
    #[tokio::test]
    async fn a_page_tells_the_browser_to_load_nothing_from_elsewhere() {
        let reply = TestShop::open().await.get("/today").await;
        let policy = reply.header("content-security-policy").expect("a policy");
        for part in ["default-src 'none'", "frame-ancestors 'none'", "base-uri 'none'", "form-action 'self'"]
        {
            assert!(policy.contains(part), "{policy}");
        }
        assert!(!policy.contains("unsafe") && !policy.contains("http"), "{policy}");
        for (name, value) in [
            ("cache-control", "no-store"),
            ("x-content-type-options", "nosniff"),
            ("referrer-policy", "same-origin"),
            ("cross-origin-opener-policy", "same-origin"),
        ] {
            assert_eq!(reply.header(name), Some(value), "{name}");
        }
    }
}
