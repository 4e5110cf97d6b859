//! `certificate` and `tenders`: gift certificates and money by tender on the command line.

use crate::shop::{ORDERS, Place};
use serde_json::Value;

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

#[test]
fn certificates_are_brought_in_listed_renumbered_and_ended() {
    for place in Place::all() {
        let place = place.stocked();
        place.run(&["certificate", "list"]).expect(0).told("there is no gift certificate");
        place.run(&["certificate", "bring-in", "much"]).expect(2).told("“much”");
        place.run(&["certificate", "bring-in", "0"]).expect(1);
        let add = ["certificate", "bring-in", "25.00", "--holder", "Ada Moss", "--note", "was 117"];
        let first = place.run(&add).expect(0).out.trim().to_owned();
        let listed = json(&place.run(&["certificate", "list", "--format", "json"]).expect(0).out);
        let row = &listed["rows"][0];
        assert_eq!((&row["holder"], &row["balance"]), (&"Ada Moss".into(), &"25.00".into()));
        assert!(first.ends_with(row["endsIn"].as_str().unwrap()), "{first} {row}");
        assert!(!listed.to_string().contains(&first), "a list has no whole number");
        let id = row["id"].as_str().unwrap().to_owned();
        let second = place.run(&["certificate", "renumber", &id, "--reason", "lost"]).expect(0).out;
        assert_ne!(second.trim(), first);
        place.run(&["certificate", "end", &id, "--reason", "void by law"]).expect(2).told("--yes");
        place.run(&["certificate", "end", &id, "--reason", "void by law", "--yes"]).expect(0).told("25.00");
        place.run(&["certificate", "end", &id, "--reason", "again", "--yes"]).expect(1);
        let history = json(&place.run(&["certificate", "history", &id, "--format", "json"]).expect(0).out);
        let changes: Vec<(&str, &str)> = history["rows"]
            .as_array()
            .unwrap()
            .iter()
            .map(|row| (row["why"].as_str().unwrap(), row["amount"].as_str().unwrap()))
            .collect();
        assert_eq!(changes, [("written-off", "-25.00"), ("brought-in", "25.00")]);
        place.run(&["certificate", "history", "7"]).expect(1).told("there is no");
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn money_by_tender_is_listed_for_a_day_and_a_month() {
    for place in Place::all() {
        let place = place.stocked();
        place.put("orders.csv", ORDERS);
        place.run(&["tenders", "2026-06"]).expect(0).told("no money was taken");
        place.run(&["feed", "in", "orders.csv"]).expect(0);
        // 48.00 + 4.50 shipping + 2 × 35.00 = 122.50, and 2.5 × 3.25 = 8.125, rounded half up to 8.13.
        for (period, taken) in [("2026-06", "130.63"), ("2026-06-14", "122.50"), ("2026-06-15", "8.13")] {
            let tenders = json(&place.run(&["tenders", period, "--format", "json"]).expect(0).out);
            let row = &tenders["rows"][0];
            assert_eq!(
                (&row["tender"], &row["taken"], &row["net"]),
                (&"online".into(), &taken.into(), &taken.into())
            );
        }
        place.run(&["tenders", "June"]).expect(2).told("write a day");
    }
}
