//! `user` and `token`: accounts on the command line.

use crate::shop::Place;

const PASSWORD: &str = "a fold of wool";

#[test]
fn people_are_added_listed_and_ended() {
    for place in Place::all() {
        let add = |name: &str, role: &str, password: &str| {
            place.run_with_stdin(&["user", "add", name, "--role", role], &format!("{password}\n"))
        };
        place.run(&["shop", "set", "name", "Fold End"]).expect(0);
        place.run(&["user", "list"]).expect(0).told("nobody can sign in yet");
        add("Ash", "maker", PASSWORD).expect(1).told("the first person must be an owner");
        add("Maud", "owner", "short").expect(1).told("at least 8 characters");
        add("Maud", "owner", "password123456").expect(1).told("easy to guess");
        add("Maud", "queen", PASSWORD).expect(2).told("write counter, maker or owner");
        let added = add("Maud", "owner", PASSWORD).expect(0).told("Maud can sign in as owner");
        assert!(added.out.is_empty() && !added.err.contains(PASSWORD), "{}", added.err);
        add("MAUD", "counter", PASSWORD).expect(1).told("there is already a person named");
        add("Ash", "maker", PASSWORD).expect(0);
        let list = place.run(&["user", "list"]).expect(0).out;
        assert!(list.contains("Maud  owner") && list.contains("Ash   maker"), "{list}");
        place
            .run(&["user", "reset-second-factor", "Maud"])
            .expect(1)
            .told("two-step sign-in is not on for Maud");
        place.run(&["user", "reset-second-factor", "Rowan"]).expect(1).told("there is no person Rowan");
        place.run(&["user", "end", "Maud"]).expect(1).told("the only owner");
        place.run(&["user", "end", "ash"]).expect(0).told("Ash can no longer sign in");
        place.run(&["user", "end", "Ash"]).expect(1).told("there is no person Ash");
        place.run(&["check"]).expect(0);
    }
}

// No backup has a password: whoever can run the command line on the shop's machine can let its owner in
// again.
#[test]
fn a_restored_shop_s_owner_sets_a_password_anew() {
    for place in Place::all() {
        place.run(&["shop", "set", "name", "Fold End"]).expect(0);
        let added =
            place.run_with_stdin(&["user", "add", "Maud", "--role", "owner"], &format!("{PASSWORD}\n"));
        added.expect(0);
        place.run(&["backup", "shop.backup"]).expect(0);
        let restored = place.run(&["restore", "shop.backup", "--db", "sqlite:again.db"]).expect(0);
        restored.told("set a password with `fleecefold user password NAME`");
        let set = |name: &str, password: &str| {
            let arguments = ["user", "password", name, "--db", "sqlite:again.db"];
            place.run_with_stdin(&arguments, &format!("{password}\n"))
        };
        set("Maud", "short").expect(1).told("at least 8 characters");
        set("Ash", "another fold of wool").expect(1).told("there is no person Ash");
        let done = set("maud", "another fold of wool").expect(0).told("Maud has a new password");
        assert!(done.out.is_empty() && !done.err.contains("another"), "{}", done.err);
        std::fs::remove_file(place.path("again.db")).unwrap();
    }
}

#[test]
fn limits_are_shown_and_set() {
    for place in Place::all() {
        place.run(&["token", "add", "Stall", "--role", "counter"]).expect(0);
        let set = |line: &str| place.run(&line.split(' ').collect::<Vec<_>>());
        set("limits set --role counter discount=10 refund=50").expect(0);
        set("limits set --token stall channels=market tax_by_hand=no").expect(0);
        let shown = set("limits show --format csv").expect(0).out;
        let expected = "whose,channels,discount,backdate_days,open_holds,hold_days,tax_by_hand,refund,refund_tender\n\
            counter,none,10,7,50,92,yes,50.00,no\nmaker,none,none,none,none,none,yes,none,yes\n\
            token Stall,market,10,7,50,92,no,50.00,no\n";
        assert_eq!(shown, expected);
        set("limits set --role owner discount=10").expect(1).told("an owner has no limits");
        set("limits set --role counter discount=lots").expect(1).told("write a percentage from 0 to 100");
        set("limits set --role counter mood=1").expect(2).told("the limits are channels, discount");
        set("limits set discount=10").expect(2).told("--role");
        set("limits set --role counter").expect(2);
        set("limits set --token Nobody discount=1").expect(1).told("there is no token Nobody");
    }
}

#[test]
fn a_token_stands_alone_on_standard_output() {
    for place in Place::all() {
        let ran = place.run(&["token", "add", "Printer", "--role", "counter", "--for", "30d"]).expect(0);
        assert_eq!((ran.out.lines().count(), ran.out.trim().split('.').count()), (1, 3), "{}", ran.out);
        assert!(ran.err.contains("Printer may do what a counter clerk may, until"), "{}", ran.err);
        assert!(place.path("token.keys").exists());
        place.run(&["token", "add", "printer", "--role", "owner"]).expect(1).told("there is already a token");
        place.run(&["token", "add", "x", "--role", "owner", "--for", "0d"]).expect(2).told("write days");
        let list = place.run(&["token", "list"]).expect(0).out;
        assert!(list.contains("Printer  counter  command line"), "{list}");
        place.run(&["token", "rotate"]).expect(0);
        place.run(&["token", "end", "Printer"]).expect(0);
        place.run(&["token", "end", "Printer"]).expect(1).told("there is no token Printer");
        place.run(&["token", "list"]).expect(0).told("there are no tokens");
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
