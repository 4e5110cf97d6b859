//! Photographs, named by their hash.

use crate::app::App;
use crate::images::pictures::{self, PictureError, Size};
use crate::problem::{Kind, Problem};
use axum::extract::{Path, State};
use axum::http::header;
use axum::response::{IntoResponse, Response};

pub(crate) const PATH: &str = "/pictures/{name}";
/// A year, and only in the browser's own cache: what is named by its hash never changes.
const FOR_GOOD: &str = "private, max-age=31536000, immutable";

impl From<PictureError> for Problem {
    fn from(error: PictureError) -> Self {
        if error.is_ours() {
            return Self::new(Kind::StorageError, "the photo could not be read or saved").because(&error);
        }
        Self::invalid("#/photographs", error)
    }
}

/// GET /pictures/{name}
pub(crate) async fn read(State(app): State<App>, Path(name): Path<String>) -> Result<Response, Problem> {
    let missing = || Problem::new(Kind::NotFound, "this photo does not exist");
    Size::of_file(&name).ok_or_else(missing)?;
    let bytes = pictures::read(app.ledger.pictures_folder(), name).await?.ok_or_else(missing)?;
    let headers = [(header::CONTENT_TYPE, "image/jpeg"), (header::CACHE_CONTROL, FOR_GOOD)];
    Ok((headers, bytes).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::images::pictures::{jpeg, photograph};
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_photograph_is_kept_by_the_browser_for_good() {
        let shop = TestShop::open().await;
        let folder = shop.ledger().pictures_folder();
        let bytes = jpeg(&photograph(800, 600), &[]);
        let picture = shop.app.image_processor.take_in(folder, bytes).await.expect("taken in");
        for size in Size::ALL {
            let address = size.address(&picture.name.file()).expect("an address");
            let reply = shop.get(&address).await;
            assert_eq!((reply.status, reply.header("content-type")), (200, Some("image/jpeg")), "{address}");
            assert_eq!(reply.header("cache-control"), Some(FOR_GOOD));
            assert_eq!(reply.header("x-content-type-options"), Some("nosniff"));
        }
    }

    // OWASP ASVS 5.0.0, 5.3.2.
    #[tokio::test]
    async fn no_other_file_is_reached() {
        let shop = TestShop::open().await;
        for name in [
            "0a0a.jpg",
            "shop.db",
            "..%2Fshop.db",
            "%2Fetc%2Fpasswd",
            &format!("{}.jpg", "0a".repeat(32)),
            &format!("..%2F{}.jpg", "0a".repeat(32)),
            &format!("{}.jpg%00.html", "0a".repeat(32)),
        ] {
            assert_eq!(shop.get(&format!("/pictures/{name}")).await.status, 404, "{name}");
        }
    }
}
