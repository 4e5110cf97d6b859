//! `serve`: the address, the folders, stopping.

use crate::shop::{ITEMS, ORDERS, Place, Ran};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::process::{Child, Command};
use std::time::{Duration, Instant};

/// The most time for something that normally takes a moment.
const PATIENCE: Duration = Duration::from_secs(30);

/// Reads its output until it prints an address, whose page must exist.
pub(crate) fn port_of(child: &mut Child) -> (u16, BufReader<std::process::ChildStderr>) {
    let mut said = BufReader::new(child.stderr.take().unwrap());
    let mut line = String::new();
    while said.read_line(&mut line).unwrap() > 0 {
        if let Some((_, rest)) = line.split_once("http://127.0.0.1:") {
            let (digits, rest) = rest.split_once('/').unwrap();
            let port = digits.parse().unwrap();
            let (page, _) = rest.split_once(';').unwrap();
            let answer = ask(port, "", &format!("GET /{page}"), "");
            assert!(answer.starts_with("HTTP/1.1 303"), "{line}\n{answer}");
            return (port, said);
        }
        line.clear();
    }
    panic!("it ended without an address");
}

fn ask(port: u16, token: &str, request: &str, body: &str) -> String {
    let mut stream = TcpStream::connect(("127.0.0.1", port)).unwrap();
    let length = body.len();
    write!(
        stream,
        "{request} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nConnection: close\r\nAuthorization: Bearer {token}\r\nIdempotency-Key: k1\r\n\
         Content-Type: application/json\r\nContent-Length: {length}\r\n\r\n{body}"
    )
    .unwrap();
    let mut answer = String::new();
    stream.read_to_string(&mut answer).unwrap();
    answer
}

pub(crate) fn end(mut child: Child, signal: &str) -> i32 {
    Command::new("kill").args([signal, &child.id().to_string()]).status().unwrap();
    let told = Instant::now();
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            return status.code().unwrap_or(-1);
        }
        assert!(told.elapsed() < PATIENCE, "it does not end");
        std::thread::sleep(Duration::from_millis(10));
    }
}

#[test]
fn it_serves_at_a_port_of_its_own_and_ends_in_good_order() {
    for place in Place::all() {
        let place = place.stocked();
        let token = place.token();
        for signal in ["-TERM", "-INT"] {
            let mut child = place.start(&["serve", "--listen", "127.0.0.1:0"]);
            let (port, _said) = port_of(&mut child);
            let answer = ask(port, &token, "GET /api/items/B1", "");
            assert!(answer.starts_with("HTTP/1.1 200") && answer.contains("Ridge beanie"), "{answer}");
            assert_eq!(end(child, signal), 0, "{signal}");
        }
        let mut first = place.start(&["serve", "--listen", "127.0.0.1:0"]);
        let (port, _said) = port_of(&mut first);
        let taken = format!("127.0.0.1:{port}");
        place.run(&["serve", "--listen", &taken]).expect(2).told("choose another port with --listen");
        // The command line and a running shop share one database.
        place.put("orders.csv", ORDERS);
        place.run(&["feed", "in", "orders.csv"]).expect(0);
        assert!(ask(port, &token, "GET /api/items/B1", "").contains("\"onHand\":\"0\""));
        assert_eq!(end(first, "-TERM"), 0);
        place.run(&["check"]).expect(0);
    }
}

/// The process that was started goes on, with glibc's setting for large blocks, or with the one that somebody chose.
#[test]
#[cfg(all(target_os = "linux", target_env = "gnu"))]
fn a_service_gives_large_blocks_of_memory_back() {
    let place = Place::sqlite();
    for (given, expected) in [(None, "1048576"), (Some("65536"), "65536")] {
        let mut command = place.command(&["serve", "--listen", "127.0.0.1:0"]);
        command.env_remove("MALLOC_MMAP_THRESHOLD_").envs(given.map(|size| ("MALLOC_MMAP_THRESHOLD_", size)));
        let mut child = command.spawn().unwrap();
        let (_port, _said) = port_of(&mut child);
        let settings = std::fs::read(format!("/proc/{}/environ", child.id())).unwrap();
        let expected = format!("MALLOC_MMAP_THRESHOLD_={expected}");
        assert!(settings.split(|byte| *byte == 0).any(|setting| setting == expected.as_bytes()), "{given:?}");
        assert_eq!(end(child, "-TERM"), 0);
    }
}

/// If the address cannot be used, no shop is opened or created, and none is announced as open.
#[test]
fn a_wrong_address_is_refused_before_anything_else() {
    let place = Place::sqlite();
    let holder = TcpListener::bind("127.0.0.1:0").unwrap();
    let taken = holder.local_addr().unwrap().to_string();
    for command in ["serve", "demo"] {
        let check = |address: &str, expected: &str| {
            let ran = place.run(&["--db", "sqlite:fresh.db", command, "--listen", address]).expect(2);
            assert!(ran.err.contains(expected) && ran.err.lines().count() == 1, "{command}: {}", ran.err);
            assert_eq!(ran.out, "", "{command}");
            assert!(!place.path("fresh.db").exists(), "{command} {address}");
        };
        check(&taken, "is already listening on 127.0.0.1:");
        check("0.0.0.0:0", "can be reached from other machines");
    }
}

/// Changes are sent while it runs, whoever makes them; an unsigned webhook is refused.
#[test]
fn a_running_shop_tells_an_online_shop_by_itself() {
    for place in Place::all() {
        let place = place.stocked();
        let (shop, got) = crate::sync::shop("200 OK");
        let hooks = "[orders]\nfrom = \"/orders\"\nevery = \"1h\"\nlayout = '''\nfeed = \"orders\"\nformat = \"json\"\n\
            each = \"/orders\"\nlines = \"/lines\"\n[field.orderNumber]\nfrom = \"/n\"\n[field.orderDate]\nfrom = \"/d\"\n\
            [field.sku]\nfrom = \"/s\"\n[field.orderQuantity]\nfrom = \"/q\"\n[field.price]\nfrom = \"/p\"\n'''\n\
            [hooks]\nsecret = [\"village\"]\nsigned = \"header\"\nheader = \"X-Signature\"\n";
        place.put("village.toml", format!("{}{hooks}", crate::sync::text(shop)));
        place.put("secrets/village", "a-secret-of-more-than-enough-letters\n");
        place.run(&["sync", "connect", "village", "village.toml", "--secrets", "secrets"]).expect(0);
        place.run(&["sync", "put", "village", "B1"]).expect(0);
        let token = place.token();
        let mut child = place.start(&["serve", "--listen", "127.0.0.1:0", "--secrets", "secrets"]);
        let (port, _said) = port_of(&mut child);
        let told = |start: &str| {
            let began = Instant::now();
            while began.elapsed() < PATIENCE {
                if let Ok(request) = got.recv_timeout(PATIENCE)
                    && request.head.starts_with(start)
                {
                    return request.body;
                }
            }
            panic!("{start} was not asked for");
        };
        assert!(told("put /api/listings/b1 ").contains("InStock"));
        let sale = r#"{"channel":"store","lines":[{"sku":"B1","quantity":"1"}],"tenders":[{"kind":"cash","amount":"50.00"}]}"#;
        let sold = ask(port, &token, "POST /api/sales", sale);
        assert!(sold.starts_with("HTTP/1.1 201"), "{sold}");
        assert!(told("put /api/listings/b1 ").contains("SoldOut"));
        for (to, expected) in [("village", "HTTP/1.1 401"), ("nowhere", "HTTP/1.1 404")] {
            let answer = ask(port, "", &format!("POST /hooks/{to}"), "{\"orders\": []}");
            assert!(answer.starts_with(expected), "{to}: {answer}");
        }
        // The online shop has it a moment before the ledger knows, and figures are up to a second old.
        let began = Instant::now();
        while !ask(port, "", "GET /metrics", "")
            .contains("fleecefold_sync_sent_total{connection=\"village\"} 2")
        {
            assert!(began.elapsed() < PATIENCE, "{}", ask(port, "", "GET /metrics", ""));
            std::thread::sleep(Duration::from_millis(50));
        }
        assert_eq!(end(child, "-TERM"), 0);
        place.run(&["check"]).expect(0);
    }
}

/// The demo's password is in the README: a shop that still has it is served only to this machine.
#[test]
fn a_known_password_is_not_served_to_the_world() {
    for place in Place::all() {
        let user = ["user", "add", "Maud", "--role", "owner"];
        place.run_with_stdin(&user, "four sheep and a gate\n").expect(0);
        let public = ["serve", "--site", "https://wool.example", "--listen", "127.0.0.1:0"];
        place.run(&public).expect(1).told("change the password under Your account");
        let mut child = place.start(&["serve", "--listen", "127.0.0.1:0"]);
        let (_port, _said) = port_of(&mut child);
        assert_eq!(end(child, "-TERM"), 0);
        place
            .run_with_stdin(&["user", "add", "Ansel", "--role", "owner"], "nine hens and a pond\n")
            .expect(0);
        place.run(&["user", "end", "Maud"]).expect(0);
        let mut child = place.start(&public);
        let mut said = BufReader::new(child.stderr.take().unwrap()).lines();
        let open = said.find(|line| line.as_ref().unwrap().contains("and at https://wool.example"));
        assert!(open.is_some(), "it ended without an address");
        assert_eq!(end(child, "-TERM"), 0);
    }
}

#[test]
fn orders_come_in_over_the_api_as_by_file() {
    for place in Place::all() {
        let place = place.stocked();
        let token = place.token();
        let mut child = place.start(&["serve", "--only", "till", "--listen", "127.0.0.1:0"]);
        let (port, _said) = port_of(&mut child);
        let order = r#"[{"orderNumber":"7","orderDate":"2026-06-14","sku":"B1","orderQuantity":"1","price":"48.00"}]"#;
        let answer = ask(port, &token, "POST /api/feeds/orders", order);
        assert!(
            answer.starts_with("HTTP/1.1 200")
                && answer.contains("\"taken\":\"1\"")
                && answer.contains("\"dryRun\":false"),
            "{answer}"
        );
        assert_eq!(end(child, "-TERM"), 0);
        assert_eq!(place.stock("Ridge beanie"), "0 0");
        place.put("o.csv", "orderNumber,orderDate,sku,orderQuantity,price\n7,2026-06-14,B1,1,48.00\n");
        place.run(&["feed", "in", "o.csv"]).expect(0).told("0 orders taken, 1 known");
    }
}

#[test]
fn watched_folders_take_in_and_put_out() {
    for place in Place::all() {
        let arguments =
            ["serve", "--only", "sync", "--in-folder", "in", "--out-folder", "out", "--log", "json"];
        place.run(&["shop", "set", "name", "Pennyroyal"]).expect(0);
        place.put("in/items/items.csv", ITEMS);
        place.put("in/orders/orders.csv", ORDERS);
        let child = place.start(&arguments);
        let done = || {
            let entries = std::fs::read_dir(place.path("in/done")).into_iter().flatten().flatten();
            entries.filter(|entry| entry.path().extension().is_some_and(|e| e == "csv")).count()
        };
        let began = Instant::now();
        while done() < 2 {
            assert!(began.elapsed() < PATIENCE, "the files are not taken");
            std::thread::sleep(Duration::from_millis(50));
        }
        Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
        let ran = Ran::of(&child.wait_with_output().unwrap()).expect(0);
        for line in ran.err.lines().filter(|l| l.starts_with('{')) {
            serde_json::from_str::<serde_json::Value>(line).unwrap();
        }
        assert!(ran.err.contains("2 orders taken"), "{}", ran.err);
        assert_eq!(place.stock("Ridge beanie"), "0 0");
        place.run(&["check"]).expect(0);
    }
}
