//! Exporting listings, importing them, and comparing them with the other shop's.

use crate::{FILE_HASH, layout, own};
use domain::codes::{Code, Gtin};
use domain::day::Zone;
use domain::item::{ItemText, TextField};
use domain::money::{Currency, Money};
use domain::quantity::{Measure, Quantity};
use domain::stock::Availability;
use domain::weight::{Weight, WeightUnit};
use feeds::compare::compare;
use feeds::{
    Feed, FeedError, Format, JsonLdDocument, JsonLdLines, Layout, ListedRow, Listing, ListingCsv, Parsed,
    Reading, Reject, content_hash, publish, read_listings, write_csvw,
};
use sha2::{Digest, Sha256};
use std::io::Write;

fn with(listing: Listing, change: impl FnOnce(&mut ItemText)) -> Listing {
    let mut listing = listing;
    change(&mut listing.text);
    listing
}

pub(crate) fn sample() -> Listing {
    Listing {
        text: ItemText {
            name: "Ridge beanie".to_owned(),
            description: "Warm,\nsoft and \"round\"".to_owned(),
            color: "moss".to_owned(),
            size: "M".to_owned(),
            material: "wool".to_owned(),
            brand: "Larkfell".to_owned(),
            images: vec!["images/a.jpg".to_owned(), "images/b.jpg".to_owned()],
        },
        sku: Code::parse("RB-1").unwrap(),
        // 0614141 is the company prefix in GS1's own examples (GS1 General Specifications).
        gtin: Some(Gtin::parse("614141007349").unwrap()),
        weight: Some(Weight::parse("6.350", WeightUnit::Ounce).unwrap()),
        price: Money::from_minor(4800, Currency::USD).unwrap(),
        availability: Availability::InStock,
        inventory: Some(Quantity::from_stock_units(1, Measure::Units).unwrap()),
        revision: 17,
    }
}

pub(crate) enum Written {
    Csv,
    Document,
    Lines,
}

impl Written {
    /// The bytes of some listings, and the layout that reads them.
    pub(crate) fn write(&self, items: &[Listing]) -> (Vec<u8>, Layout) {
        match self {
            Self::Csv => (csv(items, &own(Feed::Listings)), own(Feed::Listings)),
            Self::Document => {
                let mut out = JsonLdDocument::new(Vec::new()).unwrap();
                for item in items {
                    out.write(item).unwrap();
                }
                (out.finish().unwrap().0, Layout::built_in(Feed::Listings, Format::Json))
            }
            Self::Lines => {
                let mut out = JsonLdLines::new(Vec::new());
                for item in items {
                    out.write(item).unwrap();
                }
                (out.finish().unwrap().0, Layout::built_in(Feed::Listings, Format::JsonLines))
            }
        }
    }
}

fn csv(items: &[Listing], layout: &Layout) -> Vec<u8> {
    let mut out = ListingCsv::new(Vec::new(), layout).unwrap_or_else(|e| panic!("{e}"));
    for item in items {
        out.write(item).unwrap();
    }
    let (bytes, rows) = out.finish().unwrap();
    assert_eq!(rows, items.len() as u64);
    bytes
}

pub(crate) fn listed(
    layout: &Layout,
    bytes: &[u8],
) -> Result<Vec<Result<Parsed<ListedRow>, Reject>>, FeedError> {
    let zone = Zone::utc();
    let reading = Reading { layout, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    Ok(read_listings(bytes, reading)?.collect())
}

fn rows_of(items: &[Listing]) -> Vec<ListedRow> {
    let bytes = csv(items, &own(Feed::Listings));
    listed(&own(Feed::Listings), &bytes).unwrap().into_iter().map(|r| r.unwrap().value).collect()
}

#[test]
fn csv_as_the_design_has_it() {
    let mut roving = sample();
    roving.gtin = None;
    roving.weight = None;
    roving.text.images.clear();
    roving.text.name = "=1+2\";=1+2".to_owned();
    roving.text.description = "-5 % today".to_owned();
    roving.inventory =
        Some(Quantity::from_stock_units(40_500, Measure::Thousandths(WeightUnit::Ounce)).unwrap());
    let text = String::from_utf8(csv(&[sample(), roving], &own(Feed::Listings))).unwrap();
    // The name's cell is OWASP's published example; 12 digits become 13 by a zero (schema.org).
    let expected = "sku,gtin13,name,description,color,size,material,weight.value,weight.unitCode,image,\
        offers.price,offers.priceCurrency,offers.availability,inventoryLevel,revision,brand\r\n\
        RB-1,0614141007349,Ridge beanie,\"Warm,\nsoft and \"\"round\"\"\",moss,M,wool,6.350,ONZ,\
        images/a.jpg|images/b.jpg,48.00,USD,InStock,1,17,Larkfell\r\n\
        RB-1,,\"'=1+2\"\";=1+2\",'-5 % today,moss,M,wool,,,,48.00,USD,InStock,40.5,17,Larkfell\r\n";
    assert_eq!(text, expected);
}

#[test]
fn a_layout_renames_and_fixes() {
    let theirs = layout(
        "feed = \"listings\"\ndelimiter = \"semicolon\"\n[field.sku]\nfrom = \"Artikel\"\n[field.name]\nfrom = \"Titel\"\n[field.\"offers.price\"]\nfrom = \"Preis\"\ndecimal = \",\"\n[field.size]\nfrom = \"Zustand\"\nvalue = \"neu\"",
    );
    let text = String::from_utf8(csv(&[sample()], &theirs)).unwrap();
    assert_eq!(text, "Artikel;Titel;Zustand;Preis\r\nRB-1;Ridge beanie;neu;48,00\r\n");
    let back = listed(&theirs, text.as_bytes()).unwrap().remove(0).unwrap().value;
    assert_eq!((back.price.map(Money::minor), back.text.size), (Some(4800), String::new()));
    let refused = |toml: &str| ListingCsv::new(Vec::new(), &layout(toml)).err().map(|e| e.to_string());
    for (toml, words) in [
        ("feed = \"listings\"\ndelimiter = \"spaces\"\n[field.sku]", "spaces"),
        ("feed = \"listings\"\n[field.sku]\nvalue = \"{file}\"", "{file}"),
        ("feed = \"listings\"\nencoding = \"windows-1252\"\n[field.sku]", "windows-1252"),
        ("feed = \"items\"\n[field.name]", "something else"),
    ] {
        assert!(refused(toml).is_some_and(|e| e.contains(words)), "{toml}");
    }
}

#[test]
fn money_of_every_number_of_decimals() {
    for (code, minor, expected) in
        [("USD", 5, "0.05"), ("JPY", 4800, "4800"), ("KWD", 1_005, "1.005"), ("USD", 100, "1.00")]
    {
        let mut item = sample();
        item.price = Money::from_minor(minor, Currency::from_code(code).unwrap()).unwrap();
        let text = String::from_utf8(csv(&[item], &own(Feed::Listings))).unwrap();
        assert!(text.contains(&format!(",{expected},{code},")), "{text}");
    }
}

/// Which terms belong to which type: schema.org 30.0's property tables. `PropertyValue` with its
/// `propertyID` and `value`, `additionalProperty` and `brand` on Product, and `Brand`, are from memory.
const TERMS: &[(&str, &[&str])] = &[
    (
        "Product",
        &[
            "sku",
            "gtin13",
            "name",
            "description",
            "color",
            "size",
            "material",
            "brand",
            "weight",
            "image",
            "offers",
            "additionalProperty",
        ],
    ),
    ("Brand", &["name"]),
    ("Offer", &["price", "priceCurrency", "availability", "inventoryLevel"]),
    ("QuantitativeValue", &["value", "unitCode"]),
    ("PropertyValue", &["propertyID", "value"]),
];
const ITEM_AVAILABILITY: [&str; 12] = [
    "BackOrder",
    "Discontinued",
    "InStock",
    "InStoreOnly",
    "LimitedAvailability",
    "MadeToOrder",
    "OnlineOnly",
    "OutOfStock",
    "PreOrder",
    "PreSale",
    "Reserved",
    "SoldOut",
];

fn check_terms(value: &serde_json::Value) {
    let Some(object) = value.as_object() else { return };
    let kind = object["@type"].as_str().expect("a type");
    let (_, terms) = TERMS.iter().find(|(t, _)| *t == kind).unwrap_or_else(|| panic!("{kind} is no type"));
    for (name, value) in object.iter().filter(|(n, _)| !n.starts_with('@')) {
        assert!(terms.contains(&name.as_str()), "{kind} has no {name}");
        check_terms(value);
    }
}

#[test]
fn json_ld_by_schema_org() {
    let (bytes, _) = Written::Document.write(&[sample(), sample()]);
    let document: serde_json::Value = serde_json::from_slice(&bytes).unwrap();
    assert_eq!(document["@context"], "https://schema.org");
    let graph = document["@graph"].as_array().unwrap();
    assert_eq!(graph.len(), 2);
    graph.iter().for_each(check_terms);
    let offer = &graph[0]["offers"];
    let availability = offer["availability"].as_str().and_then(|a| a.strip_prefix("https://schema.org/"));
    assert!(ITEM_AVAILABILITY.contains(&availability.unwrap()));
    // schema.org's price: a point, no thousands separator, no currency sign.
    assert_eq!((offer["price"].as_str(), offer["priceCurrency"].as_str()), (Some("48.00"), Some("USD")));
    assert_eq!(graph[0]["weight"]["unitCode"], "ONZ");
    assert_eq!(graph[0]["weight"]["value"], "6.350");
    assert_eq!(graph[0]["gtin13"], "0614141007349");
    let (lines, _) = Written::Lines.write(&[sample(), sample()]);
    for line in String::from_utf8(lines).unwrap().lines() {
        let product: serde_json::Value = serde_json::from_str(line).unwrap();
        assert_eq!(product["@context"], "https://schema.org");
        check_terms(&product);
    }
    let (empty, layout) = Written::Document.write(&[]);
    assert!(listed(&layout, &empty).unwrap().is_empty());
}

/// SHA-256 (FIPS 180-4) of the texts with their lengths, in the order in which they were hashed first.
#[test]
fn an_empty_new_text_leaves_the_content_hash_as_it_was() {
    let plain = with(sample(), |text| {
        for field in TextField::ALL.iter().skip(5) {
            text.get_mut(*field).clear();
        }
    });
    let mut bytes = Vec::new();
    let mut add = |text: &str| {
        bytes.extend_from_slice(&(text.len() as u64).to_le_bytes());
        bytes.extend_from_slice(text.as_bytes());
    };
    let Listing { sku, gtin, text, weight, price, availability, inventory, .. } = &plain;
    let weight = weight.unwrap();
    let gtin = gtin.as_ref().map_or("", Gtin::as_str);
    for part in [sku.as_str(), gtin, &text.name, &text.description, &text.color, &text.size, &text.material] {
        add(part);
    }
    for part in [weight.value().to_string().as_str(), weight.unit().code(), &text.images.len().to_string()] {
        add(part);
    }
    text.images.iter().for_each(|image| add(image));
    add(&price.minor().to_string());
    add(price.currency().code());
    add(availability.code());
    add(&inventory.unwrap().to_string());
    assert_eq!(content_hash(&plain), hex::encode(Sha256::digest(&bytes)));
}

#[test]
fn the_content_hash_tells_what_changed_and_not_when() {
    let hash = content_hash(&sample());
    assert_eq!((hash.len(), content_hash(&Listing { revision: 18, ..sample() })), (64, hash.clone()));
    let others = [
        with(sample(), |text| {
            text.name = "Ridge beani".to_owned();
            text.description = format!("e{}", text.description);
        }),
        Listing { price: Money::from_minor(4801, Currency::USD).unwrap(), ..sample() },
        Listing { availability: Availability::SoldOut, ..sample() },
        Listing { inventory: None, ..sample() },
        Listing { weight: Some(Weight::parse("6.35", WeightUnit::Ounce).unwrap()), ..sample() },
        with(sample(), |text| text.images = vec!["images/a.jpg|images/b.jpg".to_owned()]),
        Listing { gtin: None, ..sample() },
    ];
    for other in others {
        assert_ne!(content_hash(&other), hash, "{other:?}");
    }
}

#[test]
fn compares_both_sides() {
    let item = |sku: &str| Listing { sku: Code::parse(sku).unwrap(), ..sample() };
    let gone = Listing { availability: Availability::SoldOut, ..item("GONE") };
    let both_gone = Listing {
        availability: Availability::SoldOut,
        ..with(item("BOTH"), |text| text.name = "x".to_owned())
    };
    let ours = [
        item("SAME"),
        item("NEW"),
        item("ENDED"),
        item("DRIFT"),
        item("STOCK"),
        gone.clone(),
        both_gone.clone(),
    ];
    let mut drift = item("DRIFT");
    drift.price = Money::from_minor(4700, Currency::USD).unwrap();
    drift.text.name = "Ridge hat".to_owned();
    drift.text.description = "Warm,\r\nsoft and \"round\" ".to_owned();
    let stock =
        Listing { inventory: Some(Quantity::from_stock_units(3, Measure::Units).unwrap()), ..item("STOCK") };
    let theirs = [
        item("SAME"),
        Listing { availability: Availability::SoldOut, ..item("ENDED") },
        drift,
        stock,
        Listing { availability: Availability::InStock, ..gone },
        with(both_gone, |text| text.name = "y".to_owned()),
        item("ALIEN"),
        item("SAME"),
    ];
    let found: Vec<String> = compare(ours, rows_of(&theirs)).iter().map(ToString::to_string).collect();
    let expected = [
        "ENDED Ridge beanie: in stock here, not on offer there",
        "DRIFT: costs 48.00 here and 47.00 there",
        "DRIFT: name is “Ridge beanie” here and “Ridge hat” there",
        "STOCK: 1 here and 3 there",
        "GONE Ridge beanie: on offer there, SoldOut here; end the listing",
        "ALIEN Ridge beanie: listed there, not known here",
        "SAME: listed there more than once",
        "NEW Ridge beanie: in stock here, not on offer there",
    ];
    assert_eq!(found, expected);
}

#[test]
fn theirs_are_checked_as_they_come_in() {
    let check = |row: &str, expected: &str| {
        let file =
            format!("sku,offers.price,offers.priceCurrency,offers.availability,inventoryLevel\n{row}\n");
        let read = listed(&own(Feed::Listings), file.as_bytes());
        let words = read.map_or_else(
            |e| e.to_string(),
            |r| r[0].as_ref().map_or_else(ToString::to_string, |_| "taken".to_owned()),
        );
        assert!(words.contains(expected), "{row}: {words}");
    };
    check("A,5.00,USD,https://schema.org/InStock,1", "taken");
    check(",5.00,USD,InStock,1", "sku: this may not be empty");
    check("A,5.00,EUR,InStock,1", "USD and EUR");
    check("A,5.00,USD,in stock,1", "offers.availability = “in stock”: this is not known here; use BackOrder");
    check("A,five,USD,InStock,1", "“five” is not an amount");
    check("A,5.00,USD,InStock,many", "“many” is not a quantity");
}

/// Writes sample feeds for `csvwvalidate` of the `PyPI` package `csvw` into the folder that
/// `FLEECEFOLD_CSVW_OUT` names,
/// or else into a temporary one; either way the description must match what is written.
#[test]
fn csvw_describes_the_columns_written() {
    let scratch = tempfile::tempdir().unwrap();
    let folder =
        std::env::var_os("FLEECEFOLD_CSVW_OUT").map_or_else(|| scratch.path().to_owned(), Into::into);
    let theirs = layout(
        "feed = \"listings\"\ndelimiter = \"semicolon\"\n[field.sku]\nfrom = \"Artikel\"\n[field.\"offers.price\"]\nfrom = \"Preis\"\ndecimal = \",\"",
    );
    let mut second = Listing { sku: Code::parse("RB-2").unwrap(), gtin: None, weight: None, ..sample() };
    second.text.images.clear();
    for (name, by) in [("listings.csv", own(Feed::Listings)), ("theirs.csv", theirs)] {
        let bytes = csv(&[sample(), second.clone()], &by);
        publish(&folder, name, |out| out.write_all(&bytes)).unwrap();
        let metadata = format!("{name}-metadata.json");
        publish(&folder, &metadata, |out| write_csvw(out, name, &by, Currency::USD)).unwrap();
        let described: serde_json::Value =
            serde_json::from_slice(&std::fs::read(folder.join(&metadata)).unwrap()).unwrap();
        let columns = described["tableSchema"]["columns"].as_array().unwrap();
        let titles: Vec<&str> = columns.iter().map(|c| c["titles"].as_str().unwrap()).collect();
        let delimiter = described["dialect"]["delimiter"].as_str().unwrap();
        let heading = String::from_utf8(bytes).unwrap().lines().next().unwrap().to_owned();
        assert_eq!(heading, titles.join(delimiter));
        assert_eq!(described["url"], name);
    }
}

#[test]
fn publishing_is_all_or_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let read = || std::fs::read_to_string(folder.path().join("out.csv")).unwrap();
    publish(folder.path(), "out.csv", |out| out.write_all(b"first")).unwrap();
    let failed = publish(folder.path(), "out.csv", |out| {
        out.write_all(&vec![b'x'; 100_000])?;
        Err::<(), _>(std::io::Error::other("no space left"))
    });
    assert!(failed.is_err_and(|e| e.to_string().contains("no space left")));
    assert_eq!(read(), "first");
    publish(folder.path(), "out.csv", |out| out.write_all(b"second")).unwrap();
    assert_eq!(read(), "second");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1, "no part stays behind");
    for name in ["../out.csv", "", "a/b", "..", "/"] {
        assert!(publish(folder.path(), name, |_| Ok(())).is_err(), "{name:?}");
    }
    let nowhere = publish(&folder.path().join("none"), "out.csv", |_| Ok(()));
    assert!(nowhere.is_err_and(|e| e.to_string().contains("cannot be made")));
}

#[test]
fn a_files_hash() {
    // FIPS 180-4's example for SHA-256: the text “abc”.
    let hash = feeds::hash::file_hash(&b"abc"[..]).unwrap();
    assert_eq!(hash, "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad");
}
