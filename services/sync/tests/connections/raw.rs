//! A server that breaks off at each stage, with malformed bytes.

use crate::ground::{Ground, HOUR, LIMITS, OUT, SECOND, ok};
use std::io::Write;
use std::net::{Shutdown, TcpListener};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

/// What happens to a connection after the request was read, or before.
#[derive(Clone, Copy, Debug)]
enum Stage {
    /// Closed before anything is read.
    AtOnce,
    /// Closed after the request.
    AfterRequest,
    /// Closed within the status line, the headers, the body.
    Within(&'static str),
    /// One byte at a time, forever.
    Drip,
    /// Accepted, but never answered.
    Silent,
}

/// Serves like this until the test's process ends; counts the requests.
fn serve(stage: Stage) -> (String, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let count = Arc::new(AtomicUsize::new(0));
    let counted = Arc::clone(&count);
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let Ok(stream) = stream else { return };
            counted.fetch_add(1, Ordering::SeqCst);
            std::thread::spawn(move || answer(stream, stage));
        }
    });
    (address, count)
}

fn answer(mut stream: std::net::TcpStream, stage: Stage) {
    use std::io::Read;
    let mut buffer = [0; 4096];
    if !matches!(stage, Stage::AtOnce) {
        let _ = stream.read(&mut buffer);
    }
    match stage {
        Stage::AtOnce | Stage::AfterRequest => {}
        Stage::Within(bytes) => {
            let _ = stream.write_all(bytes.as_bytes());
        }
        Stage::Silent => std::thread::sleep(Duration::from_secs(10)),
        Stage::Drip => {
            let _ = stream.write_all(b"HTTP/1.1 200 OK\r\ncontent-length: 1000000\r\n\r\n");
            while stream.write_all(b" ").is_ok() {
                std::thread::sleep(Duration::from_millis(100));
            }
        }
    }
    let _ = stream.shutdown(Shutdown::Both);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn whatever_breaks_off_is_said_again_once_it_cannot_be_under_way() {
    let check = async |stage: Stage, is_taken: bool, expected: &str| {
        let (address, count) = serve(stage);
        let mut ground = Ground::with(OUT, &[]).await;
        ground.connect_to(&address, OUT).await;
        ground.piece("B1").await;
        let began = Instant::now();
        ground.round().await;
        assert!(began.elapsed() < LIMITS.whole * 3, "{stage:?} took {:?}", began.elapsed());
        let status = ground.status().await;
        assert_eq!(status.sent == 1, is_taken, "{stage:?}: {status:?}");
        assert!(status.last_trouble.contains(expected), "{stage:?}: {}", status.last_trouble);
        if is_taken {
            return;
        }
        // It may be on its way for half a minute; what was answered is not.
        let before = count.load(Ordering::SeqCst);
        ground.rounds(29 * SECOND).await;
        let is_still = count.load(Ordering::SeqCst) == before;
        assert_eq!(is_still, status.last_trouble.contains("no complete answer came"), "{stage:?}");
        ground.connect(OUT).await;
        ground.answer(ok()).await;
        ground.rounds(HOUR).await;
        assert_eq!(ground.asked().await, ["PUT /intake/B1 InStock"], "{stage:?}");
    };
    check(Stage::AtOnce, false, "no complete answer came").await;
    check(Stage::AfterRequest, false, "no complete answer came").await;
    check(Stage::Within("HTTP/1.1 2"), false, "no complete answer came").await;
    check(Stage::Within("HTTP/1.1 200 OK\r\ncontent-le"), false, "no complete answer came").await;
    check(Stage::Within("nonsense\r\n\r\n"), false, "no complete answer came").await;
    check(Stage::Silent, false, "no complete answer came").await;
    // The status is the answer; nothing after it is waited for.
    check(Stage::Within("HTTP/1.1 200 OK\r\ncontent-length: 100\r\n\r\nhalf"), true, "").await;
    check(Stage::Drip, true, "").await;
    let refused = "HTTP/1.1 503 Gone\r\ncontent-length: 1000\r\n\r\nhalf";
    check(Stage::Within(refused), false, "it answered 503").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn nobody_there_is_no_message_lost_and_few_tries() {
    // A port on which nobody listens.
    let free = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let mut ground = Ground::with(OUT, &[]).await;
    ground.connect_to(&format!("http://{free}"), OUT).await;
    for at in 0..20 {
        ground.piece(&format!("B{at}")).await;
    }
    ground.rounds(6 * HOUR).await;
    let status = ground.status().await;
    assert!(status.last_trouble.contains("could not be reached"), "{}", status.last_trouble);
    assert_eq!((status.sent, status.waiting, status.parked), (0, 20, 0));
    assert!(status.oldest_unsent.is_some());
    // Back again: everything is sent within the longest wait.
    ground.connect(OUT).await;
    ground.answer(ok()).await;
    ground.rounds(16 * 60 * SECOND).await;
    assert_eq!(ground.asked().await.len(), 20);
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_list_that_breaks_off_is_no_list() {
    let orders = format!("{OUT}[orders]\nfrom = \"/orders?since={{since}}\"\n");
    let check = async |stage: Stage, expected: &str| {
        let (address, _) = serve(stage);
        let mut ground = Ground::with(&orders, &[]).await;
        ground.connect_to(&address, &orders).await;
        ground.round().await;
        let trouble = ground.status().await.last_trouble;
        assert!(trouble.contains(expected), "{stage:?}: {trouble}");
    };
    check(Stage::AfterRequest, "no complete answer came").await;
    check(Stage::Within("HTTP/1.1 200 OK\r\ncontent-length: 100\r\n\r\n["), "broke off").await;
    check(Stage::Within("HTTP/1.1 200 OK\r\ntransfer-encoding: chunked\r\n\r\n1\r\n[\r\n"), "broke off")
        .await;
    check(Stage::Drip, "broke off").await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_host_that_does_not_speak_tls_is_told_nothing() {
    let (address, count) = serve(Stage::AfterRequest);
    let mut ground = Ground::with(OUT, &["B1"]).await;
    ground.connect_to(&address.replace("http:", "https:"), OUT).await;
    ground.round().await;
    let status = ground.status().await;
    // On a machine without the public certificates it says so; then nobody was asked.
    let is_told = status.last_trouble.contains("could not be reached");
    assert!(is_told || status.last_trouble.contains("ca-certificates"), "{}", status.last_trouble);
    assert_eq!((status.sent, status.waiting), (0, 1));
    assert_eq!(is_told, count.load(Ordering::SeqCst) > 0);
}
