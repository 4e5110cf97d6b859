//! Mutations of valid layouts and connections, from seeds: whatever a text contains, reading it ends
//! with a result, and what was read can be used. One second by default; to run longer:
//! `FLEECEFOLD_FUZZ_SECONDS=600 FLEECEFOLD_FUZZ_SEED=7 cargo test -p feeds --test outside fuzz`.

use crate::FILE_HASH;
use domain::day::Zone;
use domain::money::Currency;
use fastrand::Rng;
use feeds::connection::{ConnectionFile, Place};
use feeds::{Layout, ListingMessages, MessageOf, PageReading, Reading, orders_of_page, preview};
use std::time::{Duration, Instant};

/// Valid texts: the shop's own examples, and one with every key of a layout.
const LAYOUTS: [&str; 4] = [
    include_str!("../../../../demo/layouts/card-index.toml"),
    include_str!("../../../../demo/layouts/fairground.toml"),
    "feed = \"orders\"\nformat = \"json\"\neach = \"/data/orders\"\nlines = \"/items\"\nignore = [\"/gift\"]\n[field.orderNumber]\nfrom = \"/n\"\n[field.orderDate]\nfrom = \"/d\"\ndate = \"%d.%m.%Y %I:%M %p\"\nzone = \"Europe/London\"\n[field.sku]\nfrom = \"/sku\"\n[field.orderQuantity]\nvalue = \"1\"\n[field.price]\nfrom = \"/p\"\nper = \"line\"\ndecimal = \",\"\n[field.orderStatus]\nfrom = \"/s\"\nwords = { paid = \"OrderProcessing\" }",
    "feed = \"listings\"\nformat = \"json\"\n[field.sku]\nfrom = \"/a/0/sku\"\n[field.\"offers.price\"]\nfrom = \"/a/1\"\nas = \"number\"\n[field.\"offers.availability\"]\nfrom = \"/s\"\nwords = { yes = \"InStock\", no = \"SoldOut\" }",
];
const CONNECTION: &str = include_str!("../../../../demo/connection.toml");
/// Bytes of the kinds that layouts read.
const FILES: [&str; 3] = [
    "orderNumber,orderDate,sku,orderQuantity,price\n1,2026-05-01,A,1,\"5,00\"\n,,,,\n2,x,B\n",
    "{\"data\":{\"orders\":[{\"n\":1,\"d\":\"01.05.2026 02:10 PM\",\"s\":\"paid\",\"items\":[{\"sku\":\"A\",\"p\":\"4,5\"}]}]}}",
    " 1 19970101 1 11.77\n 2 19970102 2 9\n",
];
/// Pieces that nest deeply, or appear where nobody expects them.
const PIECES: [&str; 36] = [
    "[",
    "]",
    "{",
    "}",
    "{{",
    "\"",
    "\"\"\"",
    "'",
    "'''",
    ".",
    "a.",
    "=",
    ",",
    "\n",
    "#",
    "\\",
    "\\u0000",
    "/",
    "/a",
    "/0",
    "~",
    "~1",
    "%",
    "%I",
    "%s",
    "%9999Y",
    "%:::z",
    "{sku}",
    "{file}",
    "{row}",
    "{",
    "nan",
    "-9223372036854775808",
    "1979-05-27T07:32:00Z",
    "\u{feff}",
    "\u{1f9f6}",
];

fn number(name: &str, default: u64) -> u64 {
    std::env::var(name).ok().and_then(|text| text.parse().ok()).unwrap_or(default)
}

/// A place between two characters.
fn place(text: &str, rng: &mut Rng) -> usize {
    let mut at = rng.usize(..=text.len());
    while !text.is_char_boundary(at) {
        at -= 1;
    }
    at
}

fn mutated(text: &str, rng: &mut Rng) -> String {
    let mut text = text.to_owned();
    for _ in 0..rng.usize(1..6) {
        let (one, two) = (place(&text, rng), place(&text, rng));
        let (from, to) = (one.min(two), one.max(two));
        match rng.u8(..6) {
            0 => {
                let mut to = to.min(from + 60);
                while !text.is_char_boundary(to) {
                    to -= 1;
                }
                text.replace_range(from..to, "");
            }
            1 => text.insert_str(from, rng.choice(PIECES).unwrap_or("x")),
            2 => {
                let times = if rng.u8(..8) == 0 { rng.usize(..20_000) } else { rng.usize(..40) };
                text.insert_str(from, &rng.choice(PIECES).unwrap_or("x").repeat(times));
            }
            3 => {
                let part = text[from..to].chars().take(200).collect::<String>();
                text.insert_str(place(&text, rng), &part);
            }
            4 => text.insert(from, rng.char(..)),
            _ => {
                let lines: Vec<&str> = text.lines().collect();
                let swapped = (rng.usize(..lines.len().max(1)), rng.usize(..lines.len().max(1)));
                let mut lines: Vec<String> = lines.into_iter().map(str::to_owned).collect();
                if lines.len() > 1 {
                    lines.swap(swapped.0, swapped.1);
                }
                text = lines.join("\n");
            }
        }
    }
    text
}

/// A removal must begin and end between two characters; the other kinds take care of that themselves.
fn removed(text: &str, rng: &mut Rng) -> String {
    let (one, two) = (place(text, rng), place(text, rng));
    let (from, to) = (one.min(two), one.max(two));
    format!("{}{}", &text[..from], &text[to..])
}

fn use_layout(layout: &Layout) {
    let zone = Zone::utc();
    let reading = Reading { layout, currency: Currency::USD, zone: &zone, file_hash: FILE_HASH };
    for file in FILES {
        let _ = preview(file.as_bytes(), reading, 5, false).map_err(|e| e.to_string());
        let page = PageReading { layout, currency: Currency::USD, zone: &zone };
        let _ = orders_of_page(file.as_bytes(), page).map_err(|e| e.to_string());
    }
    let _ = ListingMessages::new(Some(layout), MessageOf::Listing).map_err(|e| e.to_string());
}

fn use_connection(connection: &ConnectionFile) {
    let fillings = [(Place::Sku, "B1"), (Place::OtherId, "7"), (Place::Revision, "3")];
    let _ = connection.out.tell.to.fill(&connection.base, &fillings).map_err(|e| e.to_string());
    if let Some(orders) = &connection.orders {
        use_layout(&orders.layout);
    }
}

#[test]
fn a_text_however_mutated_is_read_or_refused() {
    let seed = number("FLEECEFOLD_FUZZ_SEED", 1);
    let until = Instant::now() + Duration::from_secs(number("FLEECEFOLD_FUZZ_SECONDS", 1));
    let mut rng = Rng::with_seed(seed);
    let (mut rounds, mut read) = (0_u64, 0_u64);
    // At least this many, however slow the machine.
    while rounds < 500 || Instant::now() < until {
        let whole = if rng.bool() { CONNECTION } else { LAYOUTS[rng.usize(..LAYOUTS.len())] };
        let text = if rng.u8(..6) == 0 { removed(whole, &mut rng) } else { mutated(whole, &mut rng) };
        match Layout::parse(&text) {
            Ok(layout) => {
                use_layout(&layout);
                read += 1;
            }
            Err(error) => assert!(!error.to_string().is_empty()),
        }
        match ConnectionFile::parse(&text) {
            Ok(connection) => {
                use_connection(&connection);
                read += 1;
            }
            Err(error) => assert!(!error.to_string().is_empty()),
        }
        rounds += 1;
    }
    println!("seed {seed}: {rounds} texts, {read} of them read");
    assert!(
        read > rounds / 50,
        "the mutations hardly ever leave a text that can be read: {read} of {rounds}"
    );
}
