//! The W3C CSVW description beside a CSV file of listings.

use crate::fields::{Feed, listing};
use crate::layout::{Delimiter, Layout};
use domain::money::Currency;
use serde_json::{Map, Value, json};
use std::io::{self, Write};

/// Describes the CSV file that [`crate::ListingCsv`] writes with the same layout.
pub fn write_csvw(
    mut out: impl Write,
    csv_name: &str,
    layout: &Layout,
    currency: Currency,
) -> io::Result<()> {
    let mut columns = Vec::new();
    for (place, map) in layout.fields.iter().enumerate() {
        let Some(map) = map else { continue };
        let name = Feed::Listings.fields()[place].name;
        let mut column = Map::new();
        column.insert("name".to_owned(), json!(name));
        column.insert("titles".to_owned(), json!(map.from));
        // What a layout puts in place of a field, or writes with a comma, is plain text to other
        // programs.
        let own = map.value.is_none() && !map.decimal_comma;
        let datatype = if own { datatype(place, currency) } else { json!("string") };
        column.insert("datatype".to_owned(), datatype);
        let required =
            [listing::SKU, listing::NAME, listing::PRICE, listing::CURRENCY, listing::AVAILABILITY];
        if map.value.is_none() && required.contains(&place) {
            column.insert("required".to_owned(), json!(true));
        }
        if place == listing::IMAGE && own {
            column.insert("separator".to_owned(), json!("|"));
        }
        columns.push(Value::Object(column));
    }
    let delimiter = match layout.delimiter {
        Some(Delimiter::One(byte)) => char::from(byte).to_string(),
        Some(Delimiter::Spaces) | None => ",".to_owned(),
    };
    let mut schema = json!({ "columns": columns });
    if layout.fields[listing::SKU].as_ref().is_some_and(|m| m.value.is_none()) {
        schema["primaryKey"] = json!(listing_name(listing::SKU));
    }
    let description = json!({
        "@context": "http://www.w3.org/ns/csvw",
        "url": csv_name,
        "dialect": { "delimiter": delimiter, "header": layout.header, "trim": false, "encoding": "utf-8" },
        "tableSchema": schema,
    });
    serde_json::to_writer_pretty(&mut out, &description)?;
    out.write_all(b"\n")
}

fn listing_name(place: usize) -> &'static str {
    Feed::Listings.fields()[place].name
}

fn datatype(place: usize, currency: Currency) -> Value {
    match place {
        listing::GTIN => json!({ "base": "string", "format": "[0-9]{13}" }),
        listing::WEIGHT => json!({ "base": "decimal", "minExclusive": "0" }),
        listing::WEIGHT_UNIT => json!({ "base": "string", "format": "ONZ|LBR|GRM|HGM|KGM" }),
        listing::PRICE => {
            let digits = currency.minor_digits() as usize;
            let format = if digits == 0 { "0".to_owned() } else { format!("0.{}", "0".repeat(digits)) };
            // The smallest price is written in the same format: 0.00.
            json!({ "base": "decimal", "minimum": format.clone(), "format": format })
        }
        listing::CURRENCY => json!({ "base": "string", "format": currency.code() }),
        listing::AVAILABILITY => {
            json!({ "base": "string", "format": "InStock|Reserved|SoldOut|Discontinued" })
        }
        listing::INVENTORY => json!({ "base": "decimal", "minimum": "0" }),
        listing::REVISION => json!({ "base": "integer", "minimum": "0" }),
        _ => json!("string"),
    }
}
