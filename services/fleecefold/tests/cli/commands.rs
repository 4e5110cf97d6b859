//! Each command, used correctly and incorrectly.

use crate::shop::{ITEMS, ORDERS, Place};
use std::fs;

fn check(place: &Place, line: &str, code: i32, words: &str) {
    let arguments: Vec<&str> = line.split(' ').filter(|a| !a.is_empty()).collect();
    let ran = place.run(&arguments);
    let said = format!("{}{}", ran.out, ran.err);
    assert_eq!(ran.code, code, "{line}: {said}");
    assert!(said.contains(words), "{line}: {said}");
}

#[test]
fn how_each_command_ends() {
    for place in Place::all() {
        let place = place.stocked();
        place.put("orders.csv", ORDERS);
        place.put("empty.csv", "");
        place.put("bad.toml", "feed = \"items\"\ncolour = 1\n");
        place.put("orders.toml", "feed = \"orders\"\n[field.orderNumber]\n[field.orderDate]\n[field.sku]\n[field.orderQuantity]\n[field.price]\n");
        check(&place, "", 2, "Usage");
        check(&place, "--help", 0, "Exit codes");
        check(&place, "--version", 0, "fleecefold ");
        check(&place, "till", 2, "unrecognized subcommand");
        check(&place, "user list", 0, "nobody can sign in yet");
        check(&place, "shop show", 0, "currency");
        check(&place, "shop set zone Europe/London", 0, "");
        check(&place, "shop set zone Europe/Londen", 1, "zone: ");
        check(&place, "shop set colour red", 1, "there is no such setting");
        check(&place, "shop set currency EUR", 1, "the currency can no longer change");
        check(&place, "shop set name", 2, "<VALUE>");
        check(&place, "shop set fee.online 3.1%+0.25", 0, "");
        check(&place, "shop set fee.online much", 1, "such as 3.1% + 0.25");
        check(&place, "shop set tenders cash,card", 0, "");
        check(&place, "shop show", 0, "3.1% + 0.25");
        check(&place, "add items items.csv", 0, "nothing was done now");
        check(&place, "add items gone.csv", 2, "gone.csv cannot be read");
        check(&place, "add items .", 2, "is not a file");
        check(&place, "add items empty.csv", 1, "the file is empty");
        check(&place, "add styles items.csv", 1, "columns that styles do not have");
        check(&place, "add items --layout bad.toml items.csv", 2, "colour");
        check(&place, "add items --layout gone.toml items.csv", 2, "gone.toml cannot be read");
        check(&place, "add items --layout orders.toml items.csv", 2, "the layout is for orders");
        check(&place, "feed in --dry-run orders.csv", 0, "nothing was booked");
        check(&place, "feed in orders.csv", 0, "2 orders taken");
        check(&place, "feed in --layout orders.toml orders.csv", 1, "“shipping”");
        check(&place, "feed out", 2, "--to <DIR>");
        check(&place, "feed out --to out --changes --again 1", 2, "cannot be used with");
        check(&place, "feed out --to out --again x", 2, "is not an identifier");
        check(&place, "feed out --to out --again 1", 1, "there is no run 1");
        check(&place, "feed out --to out --format json --layout orders.toml", 2, "leave out --layout");
        check(&place, "feed out --to orders.csv", 1, "orders.csv cannot be made");
        check(&place, "feed out --to out", 0, "listings in out/listings-");
        check(&place, "feed out --to out --changes", 0, "nothing has changed");
        check(&place, "shelf", 0, "Grey roving");
        check(&place, "shelf --sold-out", 0, "Ridge beanie");
        check(&place, "shelf --format xml", 2, "possible values: table, csv, json");
        check(&place, "books", 0, "2026-06");
        check(&place, "books --from 2026", 2, "write a month as 2026-05");
        check(&place, "books --by year", 2, "write day, month and channel");
        check(&place, "books --by day,channel --format csv", 0, "day,channel,sales,units,");
        check(&place, "books --by channel,month,day --format csv", 0, "day,month,channel,sales,units,");
        check(&place, "books --by day", 0, "2026-06-");
        check(&place, "books --from 2030-01", 0, "nothing was sold");
        check(&place, "books --from 2030-01 --to 2029-12", 1, "December 2029 is before January 2030");
        check(&place, "check", 0, "stock, money and books add up");
        check(&place, "backup shop.backup", 0, "photograph files to shop.backup");
        check(&place, "backup items.csv", 1, "never overwrites a file");
        check(&place, "backup shop.backup", 1, "never overwrites a file");
        check(&place, "restore shop.backup", 1, "");
        check(&place, "--db sqlite:new.db restore gone.backup", 1, "gone.backup");
        check(&place, "serve --listen 0.0.0.0:0", 2, "can be reached from other machines");
        check(&place, "serve --listen nowhere", 2, "--listen");
        check(&place, "--db mysql://x/y shelf", 2, "is not a database");
        check(&place, "--db sqlite:items.csv shelf", 1, "not a Fleecefold shop");
    }
}

#[test]
fn a_missing_shop_is_made_by_some_and_refused_by_the_others() {
    let check = |line: &str, makes: bool| {
        let place = Place::sqlite();
        place.put("items.csv", ITEMS);
        place.put("orders.csv", "orderNumber,orderDate,name,orderQuantity,price\n1,2024-05-01,Hat,1,5\n");
        place.put("styles.csv", "style,rate,rate.unitCode\nhat,7,ONZ\n");
        let arguments: Vec<&str> = line.split(' ').collect();
        let ran = place.run(&arguments);
        assert_eq!(place.path("shop.db").exists(), makes, "{line}: {}", ran.err);
        if makes {
            ran.expect(0).told("no shop at shop.db yet; made a new one (USD, UTC, weights in ");
        } else {
            ran.expect(1).told("there is no shop at shop.db");
        }
    };
    check("shop set name Pennyroyal", true);
    check("add items items.csv", true);
    check("add styles styles.csv", true);
    check("feed in --past orders.csv", true);
    check("feed in --past --dry-run orders.csv", false);
    check("shop show", false);
    check("feed out --to out", false);
    check("feed compare items.csv", false);
    check("shelf", false);
    check("books", false);
    check("check", false);
    check("backup b", false);
}

#[test]
fn the_shop_s_settings_are_shown_as_they_are_set() {
    for place in Place::all() {
        for (key, value) in [
            ("name", "Pennyroyal Farm"),
            ("currency", "GBP"),
            ("zone", "Europe/London"),
            ("unit", "GRM"),
            ("image_base", "https://farm.example/p"),
            ("cash_rounding", "5 up"),
            ("channel.spring-fair", "The spring fair"),
        ] {
            place.run(&["shop", "set", key, value]).expect(0);
            let shown = place.run(&["shop", "show"]).expect(0).out;
            let row = shown.lines().find(|line| line.starts_with(key)).unwrap_or_default();
            assert_eq!(row.split_once("  ").map(|(_, v)| v.trim()), Some(value), "{shown}");
        }
    }
}

/// The columns of the books, as README names them.
const COLUMNS: &str = "month,channel,sales,units,ounces,gross,discounts,refunds,net,shipping,tax,fees,postage,cost,margin,uncosted,rounding";

#[test]
fn books_for_machines() {
    for place in Place::all() {
        let place = place.stocked();
        place.put("orders.csv", ORDERS);
        place.run(&["feed", "in", "orders.csv"]).expect(0);
        let check = |by: &str, expected: &str| {
            let ran = place.run(&["books", "--by", by, "--format", "csv"]).expect(0);
            assert_eq!(ran.out, expected);
        };
        // 48.00 + 2 × 35.00, and 2.5 oz × 3.25 = 8.125, rounded half away from zero to 8.13: 126.13
        // together.
        // Cost 20 + 2 × 15 + 2.5 × 1 = 52.50; margin 126.13 − 52.50. A line by weight is one unit.
        let figures = "2,4,2.50,126.13,0.00,0.00,126.13,4.50,0.00,0.00,0.00,52.50,73.63,0,0.00";
        check("month,channel", &format!("{COLUMNS}\n2026-06,online,{figures}\n"));
        let columns = COLUMNS.replace("channel,", "");
        check("month", &format!("{columns}\n2026-06,{figures}\n"));
        let columns = COLUMNS.replace("month,", "");
        check("channel", &format!("{columns}\nonline,{figures}\n"));
        let ran = place.run(&["books", "--format", "json", "--from", "2026-06", "--to", "2026-06"]).expect(0);
        let rows: serde_json::Value = serde_json::from_str(&ran.out).unwrap();
        assert_eq!(rows["rows"][0]["gross"], "126.13");
        let none = place.run(&["books", "--format", "csv", "--to", "2026-05"]).expect(0);
        assert_eq!(none.out, format!("{COLUMNS}\n"));
        place.run(&["check"]).expect(0);
    }
}

#[test]
fn the_shelf_for_machines() {
    for place in Place::all() {
        let place = place.stocked();
        let ran = place.run(&["shelf", "--format", "csv"]).expect(0);
        let expected = "style,size,color,kind,unitCode,onHand,held,sold,lowestPrice,highestPrice\n\
            Book of knots,,,counted,,2,0,0,12.00,12.00\n\
            Grey roving,,,weight,ONZ,40.000,0.000,0.000,3.25,3.25\n\
            Loom kit,,,counted,,3,0,0,35.00,35.00\n\
            Moor cowl,,,piece,,1,0,0,60.00,60.00\n\
            Ridge beanie,,,piece,,1,0,0,48.00,48.00\n";
        assert_eq!((ran.out.as_str(), ran.err.as_str()), (expected, ""));
        let json = place.run(&["shelf", "--format", "json"]).expect(0).out;
        let rows: serde_json::Value = serde_json::from_str(&json).unwrap();
        assert_eq!(rows["rows"][1]["unitCode"], "ONZ");
        assert_eq!(rows["rows"][0]["unitCode"], serde_json::Value::Null);
        assert_eq!(place.run(&["shelf", "--sold-out", "--format", "csv"]).expect(0).out.lines().count(), 1);
    }
}

#[test]
fn a_backup_is_put_back_elsewhere() {
    for place in Place::all() {
        let place = place.stocked();
        place.run(&["backup", "shop.backup"]).expect(0);
        let shelf = place.run(&["shelf", "--format", "csv"]).expect(0).out;
        place.run(&["--db", "sqlite:back.db", "restore", "shop.backup"]).expect(0).told("restored ");
        let back = place.run(&["--db", "sqlite:back.db", "shelf", "--format", "csv"]).expect(0).out;
        assert_eq!(back, shelf);
        place.run(&["--db", "sqlite:back.db", "restore", "shop.backup"]).expect(1).told("never over a shop");
        let bytes = fs::read(place.path("shop.backup")).unwrap();
        place.put("cut.backup", &bytes[..bytes.len() / 2]);
        place.run(&["--db", "sqlite:cut.db", "restore", "cut.backup"]).expect(1).told("cut.backup");
        assert!(!place.path("cut.db").exists());
    }
}

#[test]
fn an_error_is_one_line_and_what_is_behind_it_goes_to_the_logs() {
    let place = Place::sqlite();
    place.put("bad.toml", "feed = \"items\"\n\ncolour = 1\n");
    place.put("items.csv", ITEMS);
    let arguments = ["add", "items", "--layout", "bad.toml", "items.csv"];
    let plain = place.run(&arguments).expect(2).told("bad.toml, line 3");
    assert_eq!(plain.err.lines().count(), 1, "{}", plain.err);
    let logged = place.command(&arguments).env("RUST_LOG", "fleecefold=debug").output().unwrap();
    assert!(String::from_utf8_lossy(&logged.stderr).lines().count() > 1);
}
