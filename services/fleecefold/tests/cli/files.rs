//! Files that the program creates are only for their owner, whatever the umask.

use crate::shop::{ITEMS, Place, Ran};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Command;

/// Runs the program as from a shell with umask 0.
fn run_wide(place: &Place, arguments: &[&str]) -> Ran {
    let plain = place.command(arguments);
    let mut command = Command::new("sh");
    command.args(["-c", "umask 000; exec \"$0\" \"$@\""]).arg(plain.get_program()).args(plain.get_args());
    command.current_dir(place.ground.folder.path());
    for (name, value) in plain.get_envs() {
        match value {
            Some(value) => command.env(name, value),
            None => command.env_remove(name),
        };
    }
    Ran::of(&command.output().unwrap())
}

/// What others may do with each file and folder below a folder.
fn open_to_others(folder: &Path, found: &mut Vec<(PathBuf, u32)>) {
    for entry in fs::read_dir(folder).unwrap() {
        let entry = entry.unwrap();
        let mode = entry.metadata().unwrap().permissions().mode() & 0o777;
        if mode & 0o077 != 0 {
            found.push((entry.path(), mode));
        }
        if entry.file_type().unwrap().is_dir() {
            open_to_others(&entry.path(), found);
        }
    }
}

// CWE-276; OWASP ASVS 5.0.0, 14.2.4: what holds customers' data is protected as documented.
#[test]
fn nobody_else_reads_what_the_shop_keeps() {
    let place = Place::sqlite();
    place.put("given/items.csv", ITEMS);
    place.put(
        "given/orders.csv",
        "orderNumber,orderDate,sku,orderQuantity,price\n1,2026-06-14,GONE,1,48.00\n",
    );
    run_wide(&place, &["shop", "set", "name", "Fold End"]).expect(0);
    run_wide(&place, &["add", "items", "given/items.csv"]).expect(0);
    run_wide(&place, &["token", "add", "Printer", "--role", "owner"]).expect(0);
    run_wide(&place, &["feed", "in", "given/orders.csv"]).expect(3);
    assert!(place.path("given/orders.rejects.csv").exists());
    run_wide(&place, &["backup", "shop.backup"]).expect(0);
    run_wide(&place, &["restore", "shop.backup", "--db", "sqlite:again.db"]).expect(0);
    let mut found = Vec::new();
    open_to_others(place.ground.folder.path(), &mut found);
    // What the test itself created.
    let ours = ["given", "given/items.csv", "given/orders.csv"].map(|name| place.path(name));
    found.retain(|(path, _)| !ours.contains(path));
    assert_eq!(found, [], "others may read these");
    assert!(place.path("shop.db").exists() && place.path("again.db").exists());
}

/// A feed of listings is meant for another program to fetch: there the umask decides.
#[test]
fn a_listing_feed_is_for_others_to_read() {
    let place = Place::sqlite().stocked();
    run_wide(&place, &["feed", "out", "--to", "out"]).expect(0);
    let listings = fs::read_dir(place.path("out")).unwrap().map(|entry| entry.unwrap());
    let modes: Vec<u32> = listings.map(|e| e.metadata().unwrap().permissions().mode() & 0o777).collect();
    assert!(!modes.is_empty() && modes.iter().all(|mode| *mode == 0o666), "{modes:?}");
}

#[test]
fn a_shop_that_others_can_read_is_told_of() {
    let place = Place::sqlite().stocked();
    run_wide(&place, &["shelf"]).expect(0);
    fs::set_permissions(place.path("shop.db"), fs::Permissions::from_mode(0o644)).unwrap();
    let told = run_wide(&place, &["shop", "set", "name", "Fold End"]).expect(0).err;
    assert!(told.contains("shop.db can be read by other users") && told.contains("chmod 600"), "{told}");
}
