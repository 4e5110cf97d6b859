//! Style sheets, scripts and fonts that are built into the program. The hash of all of them is in their
//! address: what a browser caches forever is never out of date, and a script's own imports stay as they are
//! written.

use crate::problem::{Kind, Problem};
use axum::extract::Path;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use sha2::{Digest, Sha256};
use std::fmt::Write;
use std::sync::LazyLock;

pub(crate) const PATH: &str = "/assets/{hash}/{name}";
/// A year, the longest that caches commonly keep (RFC 9111); the address changes with the contents.
const FOR_GOOD: &str = "public, max-age=31536000, immutable";
/// Characters of the hash: 64 bits, enough to tell versions apart.
const HASH_CHARS: usize = 16;

struct Asset {
    name: &'static str,
    kind: &'static str,
    bytes: &'static [u8],
}

macro_rules! assets {
    ($($name:literal $kind:literal $(in $folder:literal)?),+ $(,)?) => {
        static ASSETS: &[Asset] = &[$(Asset {
            name: $name,
            kind: $kind,
            bytes: include_bytes!(concat!(env!("CARGO_MANIFEST_DIR"), "/assets/", $($folder, "/",)? $name)),
        }),+];
    };
}

assets! {
    "camera.css" "text/css; charset=utf-8",
    "camera.js" "text/javascript; charset=utf-8",
    "camera-view.js" "text/javascript; charset=utf-8",
    "zxing-reader.js" "text/javascript; charset=utf-8" in "zxing",
    "zxing-share.js" "text/javascript; charset=utf-8" in "zxing",
    "zxing-reader.wasm" "application/wasm" in "zxing",
    "choose.js" "text/javascript; charset=utf-8",
    "counter.css" "text/css; charset=utf-8",
    "counter.js" "text/javascript; charset=utf-8",
    "drawer.js" "text/javascript; charset=utf-8",
    "fonts.css" "text/css; charset=utf-8",
    "look.css" "text/css; charset=utf-8",
    "receipt.css" "text/css; charset=utf-8",
    "receipt-page.css" "text/css; charset=utf-8",
    "receipt-roll.css" "text/css; charset=utf-8",
    "receipt.js" "text/javascript; charset=utf-8",
    "online.css" "text/css; charset=utf-8",
    "online.js" "text/javascript; charset=utf-8",
    "account.css" "text/css; charset=utf-8",
    "shelf.css" "text/css; charset=utf-8",
    "books.css" "text/css; charset=utf-8",
    "settings.css" "text/css; charset=utf-8",
    "today.css" "text/css; charset=utf-8",
    "workbench.css" "text/css; charset=utf-8",
    "price.js" "text/javascript; charset=utf-8",
    "workbench.js" "text/javascript; charset=utf-8",
    "sizes.js" "text/javascript; charset=utf-8",
    "setup.js" "text/javascript; charset=utf-8",
    "sheet.js" "text/javascript; charset=utf-8",
    "tags.js" "text/javascript; charset=utf-8",
    "vollkorn-latin.woff2" "font/woff2" in "fonts",
    "vollkorn-latin-ext.woff2" "font/woff2" in "fonts",
    "vollkorn-greek.woff2" "font/woff2" in "fonts",
    "vollkorn-cyrillic.woff2" "font/woff2" in "fonts",
    "vollkorn-cyrillic-ext.woff2" "font/woff2" in "fonts",
    "ysabeau-office-latin.woff2" "font/woff2" in "fonts",
    "ysabeau-office-latin-ext.woff2" "font/woff2" in "fonts",
    "ysabeau-office-greek.woff2" "font/woff2" in "fonts",
    "ysabeau-office-cyrillic.woff2" "font/woff2" in "fonts",
    "ysabeau-office-cyrillic-ext.woff2" "font/woff2" in "fonts",
}

static HASH: LazyLock<String> = LazyLock::new(|| {
    let mut hash = Sha256::new();
    for asset in ASSETS {
        hash.update(asset.name);
        hash.update(asset.bytes);
    }
    let mut text = String::new();
    for byte in hash.finalize() {
        // Writing to a String cannot fail.
        let _ = write!(text, "{byte:02x}");
    }
    text.truncate(HASH_CHARS);
    text
});

/// The address of a file. A name that does not exist leads nowhere; the tests check for that.
pub(crate) fn address(name: &str) -> String {
    debug_assert!(ASSETS.iter().any(|a| a.name == name), "there is no file {name}");
    format!("/assets/{}/{name}", *HASH)
}

/// GET /assets/{hash}/{name}
pub(crate) async fn read(Path((hash, name)): Path<(String, String)>) -> Result<Response, Problem> {
    let asset = ASSETS.iter().find(|a| a.name == name && hash == *HASH);
    let asset =
        asset.ok_or_else(|| Problem::new(Kind::NotFound, "there is no such file; load the page again"))?;
    let headers = [(header::CONTENT_TYPE, asset.kind), (header::CACHE_CONTROL, FOR_GOOD)];
    Ok((headers, asset.bytes).into_response())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::testing::TestShop;

    #[tokio::test]
    async fn a_file_is_kept_for_good_and_an_old_address_leads_nowhere() {
        let shop = TestShop::open().await;
        for asset in ASSETS {
            let reply = shop.get(&address(asset.name)).await;
            assert_eq!(
                (reply.status, reply.header("cache-control")),
                (200, Some(FOR_GOOD)),
                "{}",
                asset.name
            );
            assert_eq!(reply.header("content-type"), Some(asset.kind));
        }
        shop.get("/assets/0000000000000000/look.css").await.expect_problem("not-found", 404);
        shop.get(&address("look.css").replace(".css", ".csv")).await.expect_problem("not-found", 404);
    }
}
