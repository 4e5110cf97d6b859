//! Importing items and styles.

use crate::{FILE_HASH, items_by, layout, own};
use domain::day::Zone;
use domain::item::ItemStock;
use domain::money::Currency;
use domain::quantity::Quantity;
use feeds::{Feed, Reading, read_styles};

const HEADING: &str = "name,kind,sku,gtin13,style,color,size,material,weight.value,weight.unitCode,extras,offers.price,cost,quantity,quantity.unitCode,description,image\n";

/// One row under the given heading: what was read, or the rejection.
fn one(heading: &str, row: &str) -> String {
    let file = format!("{heading}\n{row}\n");
    let read = items_by(&own(Feed::Items), file.as_bytes()).unwrap_or_else(|e| panic!("{e}"));
    match &read[0] {
        Ok(parsed) => {
            let item = &parsed.value;
            let ItemStock { kind, quantity, stock_unit, .. } = item.stock;
            let measured =
                |asked| Quantity::resolve_or_zero(asked, kind.measure(stock_unit).unwrap()).unwrap();
            let quantity = quantity.map(|asked| measured(asked).to_string()).unwrap_or_default();
            let weight = item.pricing.weight.map(|w| w.to_string()).unwrap_or_default();
            format!("{kind} {weight} {quantity}").trim_end().to_owned()
        }
        Err(reject) => reject.to_string(),
    }
}

#[test]
fn tells_the_kind_from_the_columns() {
    let check = |heading: &str, row: &str, expected: &str| {
        assert!(one(heading, row).contains(expected), "{row}: {}", one(heading, row));
    };
    for (heading, row, expected) in [
        ("name", "Hat", "piece"),
        ("name,weight.value,weight.unitCode", "Hat,6.350,ONZ", "piece 6.350 oz"),
        ("name,quantity", "Kit,12", "counted  12"),
        ("name,quantity", "Kit,0", "counted  0"),
        ("name,quantity,quantity.unitCode", "Kit,3,C62", "counted  3"),
        ("name,quantity,quantity.unitCode", "Roving,40.5,ONZ", "weight  40.5 oz"),
        ("name,kind,quantity", "Hat,piece,1", "piece"),
        ("name,kind,quantity", "Hat,piece,2", "of a piece there is exactly one"),
        (
            "name,kind,quantity",
            "Hat,pieces,1",
            "line 2, kind = “pieces”: this is not known here; use piece, counted or weight",
        ),
        ("name,kind,quantity", "Roving,weight,4", "goods by weight need quantity.unitCode"),
        ("name,kind,quantity.unitCode", "Kit,counted,ONZ", "only goods by weight"),
        ("name,quantity", "Kit,1.5", "whole number"),
        ("name,quantity", "Kit,-1", "more than 0"),
        ("name,weight.value", "Hat,6.35", "weight.value = “6.35”: this needs weight.unitCode too"),
        ("name,weight.unitCode", "Hat,ONZ", "this needs weight.value too"),
        ("name,weight.value,weight.unitCode", "Hat,0,ONZ", "a weight must be more than 0"),
        ("name,weight.value,weight.unitCode", "Hat,5000,KGM", "heavier than a tonne"),
        ("name,weight.value,weight.unitCode", "Hat,6.35,oz", "use ONZ (ounce)"),
        ("name,offers.price", "Hat,0", "the price comes to 0"),
        ("name,offers.price", "Hat,-5", "below 0"),
        ("name,offers.price", "Hat,$5", "“$5” is not an amount"),
        ("name,gtin13", "Hat,9521234543214", "check digit should be 3"),
        ("name,gtin13", "Hat,2000000000015", "within one shop"),
        ("name,description", "Hat,4000 0000 0000 0002", "card"),
        ("name,sku", ",A", "line 2, name: this may not be empty"),
    ] {
        check(heading, row, expected);
    }
}

#[test]
fn every_column_is_read() {
    // 952 is GS1's prefix for demonstrations (gs1.org, list of company prefixes).
    let row = "Ridge beanie,piece,RB-1,9521234543213,ridge beanie,moss,M,wool,6.35,ONZ,2.50,48.00,11.20,,,\"warm\nand soft\",a.jpg|b.jpg";
    let read = items_by(&own(Feed::Items), format!("{HEADING}{row}\n").as_bytes()).unwrap();
    let item = &read[0].as_ref().unwrap().value;
    let texts =
        [&item.text.name, &item.text.color, &item.text.size, &item.text.material, &item.text.description];
    assert_eq!(texts, ["Ridge beanie", "moss", "M", "wool", "warm\nand soft"]);
    assert_eq!(item.sku.as_ref().unwrap().as_str(), "RB-1");
    assert_eq!(item.gtin.as_ref().unwrap().as_str(), "9521234543213");
    assert_eq!(item.pricing.style.as_deref(), Some("ridge beanie"));
    assert_eq!(
        [
            item.pricing.extras.minor(),
            item.pricing.price.unwrap().minor(),
            item.pricing.cost.unwrap().minor()
        ],
        [250, 4800, 1120]
    );
    assert_eq!(item.text.images, ["a.jpg", "b.jpg"]);
}

#[test]
fn a_layout_reads_decimal_commas() {
    let comma = layout(
        "feed = \"items\"\nignore = \"*\"\n[field.name]\nfrom = \"Titel\"\n[field.\"offers.price\"]\nfrom = \"Preis\"\ndecimal = \",\"\n[field.cost]\nvalue = \"1.50\"",
    );
    let read = items_by(&comma, b"Titel;Preis;Rest\nHut;47,50;x\nSchal;1.047,50;x\nSchal;47.50;x\n").unwrap();
    assert_eq!(read[0].as_ref().unwrap().value.pricing.price.unwrap().minor(), 4750);
    assert_eq!(read[0].as_ref().unwrap().value.pricing.cost.unwrap().minor(), 150);
    for reject in &read[1..] {
        let words = reject.as_ref().unwrap_err().to_string();
        assert!(words.contains("offers.price (“Preis”)") && words.contains("decimal comma"), "{words}");
    }
}

#[test]
fn styles_come_with_their_rate() {
    let zone = Zone::utc();
    let own = own(Feed::Styles);
    let reading = Reading { layout: &own, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    let file = "style,rate,rate.unitCode,ending,minimum,sizes,category\n\
        ridge beanie,7.50,ONZ,whole,20,S|M|L,hats\nmoor cowl,3.2,HGM,,,,\nx,0,ONZ,,,,\nx,1,ONZ,soft,,,\nx,1,,,,,\n";
    let read: Vec<_> = read_styles(file.as_bytes(), reading).unwrap().collect();
    let beanie = &read[0].as_ref().unwrap().value;
    assert_eq!(beanie.sizes, ["S", "M", "L"]);
    assert_eq!(beanie.rule.minimum.unwrap().minor(), 2000);
    assert_eq!(beanie.rule.rate.per().to_string(), "7.50");
    assert_eq!(read[1].as_ref().unwrap().value.rule.ending.to_string(), "exact");
    let words: Vec<String> = read[2..].iter().map(|r| r.as_ref().unwrap_err().to_string()).collect();
    assert!(words[0].starts_with("line 4, rate = “0”: a rate must be more than 0"), "{words:?}");
    assert!(words[1].starts_with("line 5, ending = “soft”"), "{words:?}");
    assert!(words[2].starts_with("line 6, rate.unitCode: this may not be empty"), "{words:?}");
}
