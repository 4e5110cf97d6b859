//! A shop with a certificate: trusted, or refused in words that help a shopkeeper.

use crate::ground::{Ground, OUT};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::{ServerConfig, ServerConnection, Stream};
use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::PathBuf;
use std::sync::Arc;

fn file(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/connections/certificates").join(name)
}

/// Answers every request with success, with this certificate, until the test's process ends.
fn serve(certificate: &str) -> String {
    let chain =
        CertificateDer::pem_file_iter(file(certificate)).unwrap().collect::<Result<Vec<_>, _>>().unwrap();
    let key = PrivateKeyDer::from_pem_file(file("server.key")).unwrap();
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    let config = ServerConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .unwrap();
    let config = Arc::new(config);
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("https://{}", listener.local_addr().unwrap());
    std::thread::spawn(move || {
        for socket in listener.incoming() {
            let Ok(mut socket) = socket else { return };
            let config = Arc::clone(&config);
            std::thread::spawn(move || {
                let mut tls = ServerConnection::new(config).unwrap();
                let mut stream = Stream::new(&mut tls, &mut socket);
                let mut asked = [0; 8192];
                if stream.read(&mut asked).is_ok() {
                    let _ = stream
                        .write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 0\r\nconnection: close\r\n\r\n");
                }
            });
        }
    });
    address
}

async fn told(address: &str, ca_file: Option<&PathBuf>) -> (i64, String) {
    let mut ground = Ground::new().await;
    let ca = ca_file.map_or(String::new(), |path| format!("ca_file = \"{}\"\n", path.display()));
    ground.connect_to(address, &format!("{ca}{OUT}")).await;
    ground.piece("B1").await;
    ground.round().await;
    let status = ground.status().await;
    assert_eq!(status.sent + status.waiting, 1, "nothing is lost: {status:?}");
    (status.sent, status.last_trouble)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_certificate_of_ones_own_is_believed_by_its_signers_file() {
    let (sent, trouble) = told(&serve("good.pem"), Some(&file("ca.pem"))).await;
    assert_eq!((sent, trouble.as_str()), (1, ""));
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn what_is_wrong_with_tls_is_told_in_words() {
    let check = async |address: String, expected: &str| {
        let (sent, trouble) = told(&address, Some(&file("ca.pem"))).await;
        assert_eq!(sent, 0, "{trouble}");
        assert!(trouble.contains(expected), "{expected}: {trouble}");
    };
    check(serve("expired.pem"), "its certificate has run out").await;
    check(serve("other.pem"), "its certificate is for another name; is the host in the address right?").await;
    // A shop that speaks HTTP without TLS there.
    let plain = crate::ground::Ground::new().await;
    check(plain.server.uri().replace("http:", "https:"), "it does not speak TLS there").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn an_unknown_signer_is_told_with_what_to_do() {
    // Another certificate is trusted, but not the shop's own issuer.
    let (sent, trouble) = told(&serve("good.pem"), Some(&file("other.pem"))).await;
    assert_eq!(sent, 0, "{trouble}");
    assert!(
        trouble.contains("signed by nobody that this machine believes") && trouble.contains("ca_file"),
        "{trouble}"
    );
}

#[tokio::test]
async fn a_file_that_holds_no_certificate_is_told() {
    let check = async |path: PathBuf, expected: &str| {
        let (sent, trouble) = told("https://127.0.0.1:9", Some(&path)).await;
        assert_eq!(sent, 0);
        assert!(trouble.contains("ca_file") && trouble.contains(expected), "{trouble}");
    };
    check(file("nowhere.pem"), "No such file").await;
    check(file("README.md"), "no certificate stands in it").await;
    check(file("server.key"), "no certificate stands in it").await;
}
