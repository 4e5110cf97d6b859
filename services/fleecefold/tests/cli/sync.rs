//! `sync`: connecting a shop, its status, and syncing at once. The shop is a socket of the test.

use crate::shop::Place;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{TcpListener, TcpStream};
use std::sync::mpsc::{Receiver, channel};

/// The text of a connection to a shop at that port.
pub(crate) fn text(port: u16) -> String {
    format!(
        "channel = \"online\"\nbase = \"http://127.0.0.1:{port}/api\"\nprivate = true\nper_second = 100\n\
         [secret]\nname = \"village\"\nas = \"bearer\"\n[out]\nmessage = \"listing\"\nmethod = \"PUT\"\n\
         to = \"/listings/{{sku}}\"\nnew_pieces = \"wait\"\n"
    )
}

/// A request as the shop received it: its first line with its headers, and its body.
pub(crate) struct Got {
    pub(crate) head: String,
    pub(crate) body: String,
}

fn take(stream: &TcpStream) -> Option<Got> {
    let mut lines = BufReader::new(stream);
    let (mut head, mut line) = (String::new(), String::new());
    while lines.read_line(&mut line).ok()? > 0 && line != "\r\n" {
        head.push_str(&line.to_lowercase());
        line.clear();
    }
    let length = head.lines().find_map(|l| l.strip_prefix("content-length: ")?.trim().parse().ok());
    let mut body = vec![0; length.unwrap_or(0)];
    lines.read_exact(&mut body).ok()?;
    (!head.is_empty()).then(|| Got { head, body: String::from_utf8_lossy(&body).into_owned() })
}

/// A shop that gives every request the same answer, and passes on what it received.
pub(crate) fn shop(answer: &'static str) -> (u16, Receiver<Got>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (sender, got) = channel();
    std::thread::spawn(move || {
        for mut stream in listener.incoming().flatten() {
            let Some(request) = take(&stream) else { continue };
            let head = format!("HTTP/1.1 {answer}\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
            if stream.write_all(head.as_bytes()).is_err() || sender.send(request).is_err() {
                return;
            }
        }
    });
    (port, got)
}

#[test]
fn a_shop_is_connected_told_and_ended() {
    for place in Place::all() {
        let place = place.stocked();
        let (port, got) = shop("200 OK");
        place.put("village.toml", text(port));
        place.put("secrets/village", "s3cret-words\n");
        let with = |arguments: &[&str]| {
            let secrets = ["--secrets", "secrets"];
            place.run(&[&["sync"], arguments, &secrets].concat())
        };
        place.run(&["sync", "status"]).expect(0).told("no shop is connected");
        place
            .run(&["sync", "connect", "village", "village.toml"])
            .expect(0)
            .told("FLEECEFOLD_SECRET_VILLAGE");
        with(&["connect", "village", "village.toml"]).expect(0);
        with(&["put", "village", "B1"]).expect(0).told("1 pieces will be listed on village");
        let tried = with(&["test", "village"]).expect(0);
        assert!(tried.out.contains("/api/listings/B1"), "{} {}", tried.out, tried.err);
        assert!(got.try_recv().is_err(), "a try sends nothing");
        let waits = place.run(&["sync", "status", "--format", "csv"]).expect(0).out;
        assert!(waits.lines().nth(1).is_some_and(|row| row.contains(",1,0,0,0,0,0,,,")), "{waits}");
        with(&["now", "village"])
            .expect(0)
            .told("village: messages sent: 1, waiting: 0, needing attention: 0");
        let sent = got.recv().unwrap();
        assert!(sent.head.starts_with("put /api/listings/b1 "), "{}", sent.head);
        assert!(sent.head.contains("authorization: bearer s3cret-words"), "{}", sent.head);
        assert!(sent.head.contains("idempotency-key: "), "{}", sent.head);
        assert!(sent.body.contains("Ridge beanie"), "{}", sent.body);
        with(&["now"]).expect(0);
        assert!(got.try_recv().is_err(), "what is told is told once");
        let json = place.run(&["sync", "status", "--format", "json"]).expect(0).out;
        let rows: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(
            (&rows["rows"][0]["name"], &rows["rows"][0]["sent"]),
            (&"village".into(), &"1".into()),
            "{json}"
        );
        assert!(!json.contains("s3cret"), "{json}");
        place.run(&["sync", "end", "village"]).expect(0);
        place
            .run(&["sync", "end", "village"])
            .expect(1)
            .told("there is no connection to an online shop named village");
        with(&["put", "village"]).expect(1).told("there is no connection to an online shop named village");
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn what_is_refused_is_parked_and_sent_again_by_hand() {
    for place in Place::all() {
        let place = place.stocked();
        let (port, got) = shop("422 No");
        place.put("village.toml", text(port));
        place.put("secrets/village", "s3cret-words\n");
        let with = |arguments: &[&str]| {
            place
                .command(&[&["sync"], arguments].concat())
                .env("FLEECEFOLD_SECRETS", "secrets")
                .output()
                .unwrap()
        };
        let ran = |arguments: &[&str]| crate::shop::Ran::of(&with(arguments));
        ran(&["connect", "village", "village.toml"]).expect(0);
        ran(&["put", "village", "B1"]).expect(0);
        ran(&["now", "village"]).expect(3).told("needing attention: 1");
        assert!(got.recv().is_ok());
        ran(&["again", "village", "B1"]).expect(0).told("1 messages will be sent again");
        ran(&["now", "village"]).expect(3).told("needing attention: 1");
        assert!(got.recv().is_ok());
        ran(&["again", "village", "GHOST"]).expect(1);
    }
}

#[test]
fn what_cannot_be_used_is_said_with_its_line() {
    let place = Place::sqlite().stocked();
    let check = |file: &str, code: i32, words: &str| {
        place.run(&["sync", "connect", "village", file]).expect(code).told(words);
    };
    place.put("odd.toml", "channel = \"online\"\nbass = 2\n");
    place.put("named.toml", text(9));
    check("odd.toml", 2, "odd.toml: line 2");
    check("gone.toml", 2, "gone.toml cannot be read");
    place.put("public.toml", text(9).replace("private = true\n", ""));
    check("public.toml", 2, "public.toml: ");
    place.run(&["sync", "connect", "Village", "named.toml"]).expect(1).told("lowercase letters");
    check("named.toml", 0, "there is no secret “village”");
    place.run(&["sync", "put", "village"]).expect(0);
    // Nothing answers there, and the secret is missing too.
    place.run(&["sync", "now", "village"]).expect(1).told("wait");
    place.run(&["sync", "test", "village"]).expect(1).told("there is no secret “village”");
    place
        .run(&["sync", "now", "nowhere"])
        .expect(1)
        .told("there is no connection to an online shop named nowhere");
    place.run(&["sync", "status", "--format", "xml"]).expect(2);
}
