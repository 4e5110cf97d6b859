//! Feeds, out and in, on the command line.

use crate::shop::{ORDERS, Place};
use std::fs;

#[test]
fn rejects_are_mended_and_fed_again() {
    for place in Place::all() {
        let place = place.stocked();
        let head = "orderNumber,orderDate,sku,orderQuantity,price";
        place.put("orders.csv", format!("{head}\n1,2026-06-14,B1,1,48.00\n2,2026-06-14,C9,1,60.00\n"));
        let ran = place.run(&["feed", "in", "orders.csv"]).expect(3).told("orders.csv: line 3: order 2: ");
        assert_eq!(ran.out, "");
        let ran =
            ran.told("are in ./orders.rejects.csv").told("1 orders taken, 0 known, 0 changed, 1 refused");
        assert!(ran.err.contains("1 lines filled"), "{}", ran.err);
        let rejects = place.read("orders.rejects.csv");
        assert!(
            rejects.starts_with(&format!("{head},reject.reason\n2,2026-06-14,C9,1,60.00,\"")),
            "{rejects}"
        );
        place.put("orders.rejects.csv", rejects.replace("C9", "C1"));
        place.run(&["feed", "in", "orders.rejects.csv"]).expect(0).told("1 orders taken");
        assert_eq!(
            (place.stock("Ridge beanie"), place.stock("Moor cowl")),
            ("0 0".to_owned(), "0 0".to_owned())
        );
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn standard_input_is_a_file_too() {
    for place in Place::all() {
        let place = place.stocked();
        place.run_with_stdin(&["feed", "in", "-"], ORDERS).expect(0).told("2 orders taken");
        place.run_with_stdin(&["feed", "in", "-"], ORDERS).expect(0).told("0 orders taken, 2 known");
        place.run_with_stdin(&["add", "items", "-"], "name,offers.price\nHat,40\nCap,x\n").expect(3);
        assert!(place.read("stdin.rejects.csv").contains("Cap,x,"));
    }
}

#[test]
fn a_feed_on_standard_output_is_the_feed_alone() {
    for place in Place::all() {
        let place = place.stocked();
        let out = place.run(&["feed", "out", "--to", "-"]).expect(0).told("5 listings, 0 of them ended");
        assert!(out.out.starts_with("sku,gtin13,name,") && out.out.lines().count() == 6, "{}", out.out);
        let json = place.run(&["feed", "out", "--to", "-", "--format", "json"]).expect(0).out;
        let document: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(document["@context"], "https://schema.org");
        assert_eq!(document["@graph"].as_array().map(Vec::len), Some(5));
        let none =
            place.run(&["feed", "out", "--changes", "--to", "-"]).expect(0).told("nothing has changed");
        assert_eq!(none.out, "");

        // An exported feed shows no differences when it is compared, in both formats.
        place.put("told.csv", &out.out);
        place.put("told.json", &json);
        for file in ["told.csv", "told.json"] {
            let compared =
                place.run(&["feed", "compare", file]).expect(0).told("5 listings read, 0 differences");
            assert_eq!(compared.out, "");
        }
        place.put("orders.csv", ORDERS);
        place.run(&["feed", "in", "orders.csv"]).expect(0);
        let gone = place.run(&["feed", "compare", "told.csv"]).expect(0).out;
        assert!(
            gone.contains("gone      B1 Ridge beanie: on offer there, SoldOut here; end the listing"),
            "{gone}"
        );
    }
}

#[test]
fn sold_items_are_ended_and_a_run_is_written_again() {
    for place in Place::all() {
        let place = place.stocked();
        place.run(&["feed", "out", "--to", "out"]).expect(0);
        place.put("orders.csv", ORDERS);
        place.run(&["feed", "in", "orders.csv"]).expect(0);
        let ran = place.run(&["feed", "out", "--changes", "--to", "out"]).expect(0);
        let ran = ran.told("3 listings in out/changes-").told("1 of them ended");
        let run = ran.err.strip_prefix("run ").and_then(|e| e.split(':').next()).unwrap().to_owned();
        let again = place.run(&["feed", "out", "--again", &run, "--to", "-"]).expect(0).out;
        let newest = fs::read_dir(place.path("out")).unwrap().map(|e| e.unwrap().path());
        let changes = newest.filter(|p| p.to_string_lossy().contains("changes-"));
        let feed = changes.filter(|p| p.extension().is_some_and(|e| e == "csv")).max().unwrap();
        assert_eq!(fs::read_to_string(feed).unwrap(), again);
        let ended: Vec<&str> = again.lines().filter(|l| l.contains(",SoldOut,0,")).collect();
        assert!(ended.len() == 1 && ended[0].starts_with("B1,"), "{again}");
    }
}

#[test]
fn what_the_other_side_lists_is_adopted() {
    for place in Place::all() {
        let place = place.stocked();
        place.put("theirs.csv", "sku,name,offers.price\nB1,Ridge beanie,48.00\nKIT,Loom kit,30.00\n");
        let ran = place
            .run(&["feed", "compare", "--adopt", "theirs.csv"])
            .expect(0)
            .told("2 items now count as listed");
        assert!(ran.out.contains("price     KIT: costs 35.00 here and 30.00 there"), "{}", ran.out);
        let changes = place.run(&["feed", "out", "--changes", "--to", "-"]).expect(0).out;
        let skus: Vec<&str> = changes.lines().skip(1).filter_map(|l| l.split(',').next()).collect();
        assert_eq!(skus, ["C1", "KIT", "ROV", "BOOK"]);
    }
}

#[test]
fn history_comes_in_by_a_layout() {
    for place in Place::all() {
        place.put(
            "old.toml",
            "feed = \"orders\"\ndelimiter = \"semicolon\"\nchannel = \"market\"\nignore = \"*\"\n\
             [field.orderNumber]\nvalue = \"{file}-{row}\"\n[field.orderDate]\nfrom = \"Tag\"\ndate = \"%d.%m.%Y\"\n\
             [field.name]\nfrom = \"Was\"\n[field.orderQuantity]\nvalue = \"1\"\n\
             [field.price]\nfrom = \"Preis\"\ndecimal = \",\"\nper = \"line\"\n",
        );
        place.put("old.csv", "Tag;Was;Preis;Notiz\n03.05.2024;Mütze;31,50;x\n31.02.2024;Schal;60,00;\n");
        let arguments = ["feed", "in", "--past", "--layout", "old.toml", "old.csv"];
        place.run(&arguments).expect(3).told("line 3, ").told("orderDate (“Tag”) = “31.02.2024”");
        let books = place.run(&["books", "--format", "csv", "--by", "month,channel"]).expect(0).out;
        assert!(books.contains("2024-05,market,1,1,0.00,31.50,"), "{books}");
        place.run(&arguments).expect(3).told("0 orders taken, 1 known");
    }
}
