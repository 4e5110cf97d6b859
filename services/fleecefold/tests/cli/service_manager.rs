//! What is reported to a service manager, as in systemd's `sd_notify(3)`.

use crate::serve::{end, port_of};
use crate::shop::Place;
use std::os::unix::net::UnixDatagram;
use std::time::{Duration, Instant};

/// The most time for something that normally takes a moment.
const PATIENCE: Duration = Duration::from_secs(30);

fn next(manager: &UnixDatagram) -> String {
    let mut bytes = [0; 200];
    let length = manager.recv(&mut bytes).expect("a word within the time");
    String::from_utf8(bytes[..length].to_vec()).expect("text").trim().to_owned()
}

fn manager(place: &Place) -> UnixDatagram {
    let manager = UnixDatagram::bind(place.path("manager")).unwrap();
    manager.set_read_timeout(Some(PATIENCE)).unwrap();
    manager
}

#[test]
fn the_manager_is_told_when_the_shop_opens_works_and_closes() {
    for place in Place::all() {
        let place = place.stocked();
        let manager = manager(&place);
        let mut command = place.command(&["serve", "--listen", "127.0.0.1:0"]);
        command.env("NOTIFY_SOCKET", place.path("manager")).env("WATCHDOG_USEC", "200000");
        let mut child = command.spawn().unwrap();
        let (_, _said) = port_of(&mut child);
        let began = Instant::now();
        let mut told: Vec<String> = (0..4).map(|_| next(&manager)).collect();
        assert!(began.elapsed() < Duration::from_secs(10), "{:?}", began.elapsed());
        assert_eq!(told.iter().filter(|word| *word == "READY=1").count(), 1, "{told:?}");
        told.retain(|word| word != "READY=1");
        assert!(told.iter().all(|word| word == "WATCHDOG=1"), "{told:?}");
        assert_eq!(end(child, "-TERM"), 0);
        let last = std::iter::repeat_with(|| next(&manager)).find(|word| word != "WATCHDOG=1");
        assert_eq!(last.as_deref(), Some("STOPPING=1"));
    }
}

#[test]
fn a_shop_that_cannot_open_is_never_ready() {
    let place = Place::sqlite().stocked();
    let manager = manager(&place);
    manager.set_nonblocking(true).unwrap();
    place.put("broken.keys", "no keys");
    let mut command = place.command(&["serve", "--listen", "127.0.0.1:0", "--keys", "broken.keys"]);
    let child = command.env("NOTIFY_SOCKET", place.path("manager")).spawn().unwrap();
    let ran = crate::shop::Ran::of(&child.wait_with_output().unwrap()).expect(1);
    assert!(ran.err.contains("broken.keys"), "{}", ran.err);
    assert!(manager.recv(&mut [0; 200]).is_err());
}

#[test]
fn without_the_pages_the_manager_is_told_too() {
    let place = Place::sqlite().stocked();
    let manager = manager(&place);
    let mut command = place.command(&["serve", "--only", "sync"]);
    let child = command.env("NOTIFY_SOCKET", place.path("manager")).spawn().unwrap();
    assert_eq!(next(&manager), "READY=1");
    assert_eq!(end(child, "-TERM"), 0);
    assert_eq!(next(&manager), "STOPPING=1");
}
