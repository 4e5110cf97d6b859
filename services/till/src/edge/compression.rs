//! Compresses pages, style sheets and scripts, and nothing else. A tablet at a market stall has a slow
//! connection, and a page with a hundred pieces becomes eight times smaller.
//!
//! Events must be sent one by one, photographs are already compressed, and data for programs must stay as
//! tagged. The length of a compressed page reveals a little about it: see [`crate::pages::mask`] for what is
//! done against that. Besides, requests from other sites carry no cookies (`SameSite`) and are refused.

use axum::http::{Extensions, HeaderMap, StatusCode, Version, header};
use tower_http::CompressionLevel;
use tower_http::compression::CompressionLayer;
use tower_http::compression::predicate::{And, Predicate, SizeAbove};

/// What fits into one packet (RFC 9293, 3.7.1, with 1,500 bytes) does not arrive earlier if it is smaller.
const ONE_PACKET_BYTES: u16 = 1400;

type Kinds = fn(StatusCode, Version, &HeaderMap, &Extensions) -> bool;

/// The outermost layer, so that answers of the edge go through it too.
pub(crate) fn layer() -> CompressionLayer<And<SizeAbove, Kinds>> {
    // The fastest level: others take longer than they save on today's connections.
    CompressionLayer::new()
        .quality(CompressionLevel::Fastest)
        .compress_when(SizeAbove::new(ONE_PACKET_BYTES).and(is_compressed as Kinds))
}

fn is_compressed(_: StatusCode, _: Version, headers: &HeaderMap, _: &Extensions) -> bool {
    let kind = headers.get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    ["text/html", "text/css", "text/javascript"].iter().any(|start| kind.starts_with(start))
}

#[cfg(test)]
mod tests {
    use crate::pages::assets::address;
    use crate::testing::TestShop;

    /// The first bytes of a gzip file (RFC 1952, 2.3.1).
    const GZIP: [u8; 2] = [0x1f, 0x8b];

    #[tokio::test]
    async fn pages_and_their_files_are_compressed_and_nothing_else() {
        let shop = TestShop::open().await;
        let check = async |path: &str, asked: &str, expected: bool| {
            let plain = shop.get(path).await;
            let reply = shop.get_with(path, &[("accept-encoding", asked)]).await;
            assert_eq!((plain.status, reply.status), (200, 200), "{path}");
            assert_eq!(plain.header("content-encoding"), None, "{path}");
            assert_eq!(reply.header("content-encoding").is_some(), expected, "{path} {asked}");
            assert_eq!(reply.bytes.starts_with(&GZIP), expected, "{path} {asked}");
            assert_eq!(reply.bytes.len() * 2 < plain.bytes.len(), expected, "{path} {asked}");
            assert_eq!(reply.header("cache-control"), plain.header("cache-control"), "{path}");
            // RFC 9110, 8.6 and 12.5.5: the length is that of what is sent, and caches are told.
            if expected {
                assert!(reply.header("content-length").is_none_or(|n| n == reply.bytes.len().to_string()));
                assert!(
                    reply.all("vary").iter().any(|v| v.eq_ignore_ascii_case("accept-encoding")),
                    "{path}"
                );
            }
        };
        check("/settings", "gzip, deflate, br", true).await;
        check(&address("look.css"), "gzip", true).await;
        check(&address("counter.js"), "gzip", true).await;
        check("/settings", "identity", false).await;
        check("/settings", "gzip;q=0", false).await;
        check("/api/openapi.json", "gzip", false).await;
        check("/metrics", "gzip", false).await;
        check(&address("setup.js"), "gzip", false).await;
        check(&address("vollkorn-latin.woff2"), "gzip", false).await;
    }
}
