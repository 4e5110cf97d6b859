//! `customer`: customers on the command line, and a restore after somebody was erased.

use crate::shop::Place;
use serde_json::Value;

#[test]
fn customers_are_added_found_changed_exported_and_erased() {
    for place in Place::all() {
        let place = place.stocked();
        place.run(&["customer", "list"]).expect(0).told("no customer was found");
        let add = ["customer", "add", "Ada Moss", "--email", "ada@example.com", "--phone", "+1 802 555 0142"];
        let id = place.run(&add).expect(0).out.trim().to_owned();
        place.run(&add).expect(1).told("Ada Moss already has this e-mail address");
        place.run(&["customer", "add", "Bea", "--email", "nowhere"]).expect(1).told("not an e-mail address");
        place.run(&["customer", "terms", &id, "--discount", "120"]).expect(2).told("percentage");
        place.run(&["customer", "terms", &id, "--certificate", "VT-1"]).expect(2).told("--keep-until");
        let terms = ["customer", "terms", &id, "--wholesale", "yes", "--discount", "12.5"];
        place.run(&terms).expect(0);
        place.run(&["customer", "change", &id, "--name", "Ada Fern"]).expect(0);
        let listed = place.run(&["customer", "list", "fern", "--format", "json"]).expect(0).out;
        let listed: Value = serde_json::from_str(&listed).unwrap();
        let row = &listed["rows"][0];
        assert_eq!(
            (&row["id"], &row["name"], &row["email"]),
            (&id.as_str().into(), &"Ada Fern".into(), &"ada@example.com".into())
        );
        assert_eq!((&row["wholesale"], &row["defaultDiscount"]), (&"yes".into(), &"12.5".into()));
        let export = place.run(&["customer", "export", &id]).expect(0).out;
        let export: Value = serde_json::from_str(&export).unwrap();
        assert_eq!(export["customer"]["telephone"], "+1 802 555 0142");
        place.run(&["customer", "export", "7"]).expect(1).told("there is no customer 7");
        place.run(&["backup", "shop.backup"]).expect(0);
        place.run(&["customer", "erase", &id]).expect(2).told("--yes");
        place.run(&["customer", "erase", &id, "--yes"]).expect(0).told("erased");
        place.run(&["customer", "erase", &id, "--yes"]).expect(1).told("no longer on file");
        let erased = place.run(&["customer", "erased"]).expect(0).out;
        assert_eq!(erased.trim(), id);
        place.put("erased.txt", erased.as_bytes());
        place.put("wrong.txt", b"Ada\n");
        let elsewhere = ["--db", "sqlite:back.db"];
        let with =
            |list: &'static str| [&elsewhere[..], &["restore", "shop.backup", "--erased", list]].concat();
        place.run(&with("gone.txt")).expect(2).told("gone.txt");
        place.run(&with("wrong.txt")).expect(2).told("wrong.txt, line 1");
        place.run(&with("erased.txt")).expect(0).told("restored ");
        let back = place.run(&[&elsewhere[..], &["customer", "list"]].concat()).expect(0);
        assert!(!back.out.contains("Ada"), "{}", back.out);
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn old_orders_are_blanked_by_a_command_too() {
    let place = Place::sqlite();
    place.run(&["shop", "set", "blank_orders_after", "3"]).expect(1).told("from 7 to 36500");
    place.run(&["shop", "set", "blank_orders_after", "30"]).expect(0);
    let order = "orderNumber,orderDate,name,orderQuantity,price,customer.name,customer.email\n\
        H-1,2024-01-02,Old hat,1,20.00,Ada Moss,ada@example.com\n";
    place.put("past.csv", order.as_bytes());
    place.run(&["feed", "in", "--past", "past.csv"]).expect(0);
    place.run(&["customer", "blank"]).expect(0).told("blanked 1 entry");
    place.run(&["customer", "blank"]).expect(0).told("blanked 0 entries");
    place.run(&["backup", "shop.backup"]).expect(0);
    let backup = std::fs::read_to_string(place.path("shop.backup")).unwrap();
    assert!(!backup.contains("Ada Moss") && backup.contains("Old hat"));
    place.run(&["check"]).expect(0);
}
