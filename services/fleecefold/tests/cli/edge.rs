//! `serve` behind a proxy, and with few resources from the system.

use crate::serve::end;
use crate::shop::{Place, Ran};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::process::{Child, ChildStderr, Command, Stdio};
use std::time::{Duration, Instant};

/// The most time for something that normally takes a moment.
const PATIENCE: Duration = Duration::from_mins(1);

/// The port it listens on, and the rest of its output.
fn port_of(child: &mut Child) -> (u16, BufReader<ChildStderr>) {
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    while said.read_line(&mut line).unwrap() > 0 {
        if let Some((_, rest)) = line.split_once("http://127.0.0.1:") {
            return (rest.split('/').next().unwrap().parse().unwrap(), said);
        }
        line.clear();
    }
    panic!("it ended without an address");
}

/// The answer to a request with these headers.
fn ask(port: u16, line: &str, headers: &[&str], body: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    let (headers, length) = (headers.join("\r\n"), body.len());
    write!(
        stream,
        "{line} HTTP/1.1\r\n{headers}\r\nConnection: close\r\nContent-Length: {length}\r\n\r\n{body}"
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

/// Otherwise whoever found a new shop's public address first would own it.
#[test]
fn nobody_owns_a_new_shop_through_its_proxy() {
    let site = ["--site", "https://wool.example"];
    let check = |more: &[&str], headers: &[&str]| {
        let place = Place::sqlite().stocked();
        let arguments = [&["serve", "--listen", "127.0.0.1:0"], more].concat();
        let mut child = place.start(&arguments);
        let (port, _said) = port_of(&mut child);
        let own = format!("Host: 127.0.0.1:{port}");
        let headers = [&[own.as_str()], headers].concat();
        for line in ["GET /setup", "POST /setup", "GET /metrics"] {
            let answer = ask(port, line, &headers, "");
            let is_refused = answer.starts_with("HTTP/1.1 403") || answer.starts_with("HTTP/1.1 404");
            assert!(is_refused, "{more:?} {headers:?} {line}: {answer}");
        }
        assert_eq!(end(child, "-TERM"), 0);
    };
    for header in ["X-Forwarded-For: 127.0.0.1", "Forwarded: for=127.0.0.1", "Via: 1.1 proxy"] {
        check(&[], &[header]);
        check(&site, &[header]);
        check(&["--proxy", "127.0.0.1"], &[header]);
    }
    check(&site, &["Accept: text/html"]);
    check(&["--proxy", "127.0.0.1"], &["Accept: text/html"]);
}

#[test]
fn what_a_proxy_keeps_to_itself_is_said_once_and_loudly() {
    let check = |more: &[&str], headers: &[&str], words: &str| {
        let place = Place::sqlite().stocked();
        let arguments = ["serve", "--listen", "127.0.0.1:0", "--site", "https://wool.example"];
        let mut child = place.start(&[&arguments, more].concat());
        let (port, mut said) = port_of(&mut child);
        let headers = [&["Host: wool.example"], headers].concat();
        for _ in 0..3 {
            let answer = ask(port, "GET /health/live", &headers, "");
            assert!(answer.starts_with("HTTP/1.1 200"), "{answer}");
        }
        assert_eq!(end(child, "-TERM"), 0);
        let mut log = String::new();
        said.read_to_string(&mut log).unwrap();
        assert_eq!(log.matches(words).count(), 1, "{more:?} {headers:?}: {log}");
    };
    let near = ["--proxy", "127.0.0.1"];
    let of = "X-Forwarded-For: 192.0.2.1";
    let silent = "DOES NOT SAY WHOM IT SPEAKS FOR";
    check(&near, &[], silent);
    check(&near, &["X-Forwarded-Proto: https"], silent);
    check(&[], &[], "WITHOUT A PROXY'S HEADERS");
    check(&[], &[of], "A PROXY THAT IS NOT TRUSTED");
    check(&near, &[of, "Forwarded: for=203.0.113.1"], "name different clients");
    check(&near, &["Forwarded: for=unknown"], "names no address");
    let place = Place::sqlite().stocked();
    let wrong = ["serve", "--listen", "127.0.0.1:0", "--proxy", "10.0.0.5/24"];
    place.run(&wrong).expect(2).told("Write 10.0.0.5 or 10.0.0.0/24.");
}

/// A correct header is not logged.
#[test]
fn a_proxy_that_says_whom_it_speaks_for_is_no_news() {
    let place = Place::sqlite().stocked();
    let arguments = ["serve", "--listen", "127.0.0.1:0", "--site", "https://wool.example", "--proxy", "::1"];
    let mut child = place.start(&[&arguments[..], &["--proxy", "127.0.0.0/8"]].concat());
    let (port, mut said) = port_of(&mut child);
    let headers = ["Host: wool.example", "X-Forwarded-For: 192.0.2.1", "X-Forwarded-Proto: https"];
    assert!(ask(port, "GET /health/live", &headers, "").starts_with("HTTP/1.1 200"));
    let plain = ["Host: wool.example", "X-Forwarded-For: 192.0.2.1", "X-Forwarded-Proto: http"];
    assert!(ask(port, "GET /sign-in", &plain, "").starts_with("HTTP/1.1 403"));
    assert_eq!(end(child, "-TERM"), 0);
    let mut log = String::new();
    said.read_to_string(&mut log).unwrap();
    assert!(!log.contains("WARN"), "{log}");
}

/// Idle connections use up all file descriptors, and the shop goes on.
#[test]
fn a_shop_with_few_files_stays_open() {
    let place = Place::sqlite().stocked();
    let token = place.token();
    let serve = place.command(&["serve", "--only", "till", "--listen", "127.0.0.1:0"]);
    let mut command = Command::new("sh");
    command.args(["-c", "ulimit -n 100; exec \"$0\" \"$@\""]).arg(serve.get_program()).args(serve.get_args());
    command.envs(serve.get_envs().filter_map(|(name, value)| Some((name, value?))));
    if let Some(folder) = serve.get_current_dir() {
        command.current_dir(folder);
    }
    command.stdin(Stdio::null()).stderr(Stdio::piped());
    let mut child = command.spawn().unwrap();
    let (port, mut said) = port_of(&mut child);
    // More than there is room for: the first ones make room when their time is up.
    let silent: Vec<TcpStream> = (0..30).map(|_| TcpStream::connect(("127.0.0.1", port)).unwrap()).collect();
    let began = Instant::now();
    let headers = [format!("Host: 127.0.0.1:{port}"), format!("Authorization: Bearer {token}")];
    let headers = [headers[0].as_str(), headers[1].as_str()];
    assert!(ask(port, "GET /api/items/B1", &headers, "").starts_with("HTTP/1.1 200"));
    assert!(began.elapsed() < PATIENCE, "{:?}", began.elapsed());
    drop(silent);
    assert_eq!(end(child, "-TERM"), 0);
    let mut log = String::new();
    said.read_to_string(&mut log).unwrap();
    assert_eq!(log.matches("as many connections are open as may be").count(), 1, "{log}");
    assert!(!log.contains("could not be taken"), "{log}");
    Ran::of(&place.command(&["check"]).output().unwrap()).expect(0);
}
