//! The room Workbench: a finished piece is weighed, priced and tagged.

pub(crate) mod piece;
pub(crate) mod price;
mod sheet;
pub(crate) mod tags;
pub(crate) mod typed;

use crate::pages::frame::Room;
use crate::request::caller::Access;
use crate::request::route::Route;

pub(crate) fn routes() -> Vec<Route> {
    let access = Access::With(Room::Workbench.permission());
    vec![
        Route::get("/workbench", access, piece::room),
        Route::post("/workbench", access, piece::finish),
        Route::get("/workbench/price", access, price::read),
        Route::get("/workbench/sheet", access, sheet::room),
        Route::post("/workbench/sheet", access, sheet::finish),
        Route::get("/workbench/tags", access, tags::read),
        Route::post("/workbench/tags/printed", access, tags::keep_printed),
    ]
}

#[cfg(test)]
pub(crate) mod tests {
    use crate::testing::{Reply, TestShop};
    use axum::body::Body;
    use axum::http::Method;

    /// A form as a browser sends it.
    pub(super) async fn send(shop: &TestShop, path: &str, fields: &[(&str, &str)]) -> Reply {
        let body = form_urlencoded::Serializer::new(String::new()).extend_pairs(fields).finish();
        let headers = [("content-type", "application/x-www-form-urlencoded")];
        shop.ask(Method::POST, path, &headers, Body::from(body)).await
    }

    /// A form with files as a browser sends it (RFC 7578).
    pub(crate) async fn send_files(
        shop: &TestShop,
        path: &str,
        fields: &[(&str, &str)],
        files: &[(&str, &[u8])],
    ) -> Reply {
        let mut body = Vec::new();
        for (name, value) in fields {
            let head =
                format!("--edge\r\nContent-Disposition: form-data; name=\"{name}\"\r\n\r\n{value}\r\n");
            body.extend(head.as_bytes());
        }
        for (name, bytes) in files {
            let head = format!(
                "--edge\r\nContent-Disposition: form-data; name=\"photographs\"; filename=\"{name}\"\r\n\
                 Content-Type: image/jpeg\r\n\r\n"
            );
            body.extend(head.as_bytes());
            body.extend(*bytes);
            body.extend(b"\r\n");
        }
        body.extend(b"--edge--\r\n");
        let headers = [("content-type", "multipart/form-data; boundary=edge")];
        shop.ask(Method::POST, path, &headers, Body::from(body)).await
    }
}
