//! `user` and `token`: who may enter, by the command line.

use crate::shop::Place;

const PASSWORD: &str = "a fold of wool";

#[test]
fn people_are_added_listed_and_ended() {
    for place in Place::all() {
        let add = |name: &str, role: &str, password: &str| {
            place.run_with_stdin(&["user", "add", name, "--role", role], &format!("{password}\n"))
        };
        place.run(&["shop", "set", "name", "Fold End"]).expect(0);
        place.run(&["user", "list"]).expect(0).told("there is nobody yet");
        add("Ash", "maker", PASSWORD).expect(1).told("the first person is an owner");
        add("Maud", "owner", "short").expect(1).told("at least 8 characters");
        add("Maud", "owner", "password123456").expect(1).told("among the first");
        add("Maud", "queen", PASSWORD).expect(2).told("write counter, maker or owner");
        let added = add("Maud", "owner", PASSWORD).expect(0).told("Maud may enter as owner");
        assert!(added.out.is_empty() && !added.err.contains(PASSWORD), "{}", added.err);
        add("MAUD", "counter", PASSWORD).expect(1).told("is here already");
        add("Ash", "maker", PASSWORD).expect(0);
        let list = place.run(&["user", "list"]).expect(0).out;
        assert!(list.contains("Maud  owner") && list.contains("Ash   maker"), "{list}");
        place.run(&["user", "end", "Maud"]).expect(1).told("the only owner");
        place.run(&["user", "end", "ash"]).expect(0).told("Ash may no longer enter");
        place.run(&["user", "end", "Ash"]).expect(1).told("there is no person Ash");
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn a_token_stands_alone_on_standard_output() {
    for place in Place::all() {
        let ran = place.run(&["token", "add", "Printer", "--role", "counter", "--for", "30d"]).expect(0);
        assert_eq!((ran.out.lines().count(), ran.out.trim().split('.').count()), (1, 3), "{}", ran.out);
        assert!(ran.err.contains("Printer may do what a counter hand may, until"), "{}", ran.err);
        assert!(place.path("token.keys").exists());
        place.run(&["token", "add", "printer", "--role", "owner"]).expect(1).told("there is a token");
        place.run(&["token", "add", "x", "--role", "owner", "--for", "0d"]).expect(2).told("write days");
        let list = place.run(&["token", "list"]).expect(0).out;
        assert!(list.contains("Printer  counter  command line"), "{list}");
        place.run(&["token", "rotate"]).expect(0);
        place.run(&["token", "end", "Printer"]).expect(0);
        place.run(&["token", "end", "Printer"]).expect(1).told("there is no token Printer");
        place.run(&["token", "list"]).expect(0).told("there is no token");
    }
}

#[test]
fn the_keys_lie_beside_a_file_or_where_they_are_said_to() {
    for place in Place::all() {
        let mut command = place.command(&["token", "add", "Printer", "--role", "owner"]);
        let ran = crate::shop::Ran::of(&command.env_remove("FLEECEFOLD_KEYS").output().unwrap());
        if place.url.starts_with("sqlite:") {
            ran.expect(0);
            assert!(place.path("shop.db.keys").exists());
        } else {
            ran.expect(2).told("--keys");
        }
        place.run(&["token", "add", "Other", "--role", "owner", "--keys", "other.keys"]).expect(0);
        assert!(place.path("other.keys").exists());
    }
}
